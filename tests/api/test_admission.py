"""What cannot be a fact is refused, with a pointer to each field; whatever else happened is recorded."""

from __future__ import annotations

import copy
from datetime import timedelta
from typing import Any

import pytest

from tests.api import scenario
from tests.api.desk import Desk, problem
from tests.api.scenario import BODY, HERE, NOW, entry, q

TORQUE = entry("torque.applied", "09:30:00", **HERE, joint="bonnet", torque=q("44.0 ft.lbf"), instrument="TW-21")
OPENED = entry(
    "rebuild.opened", "08:10:00", **HERE, procedure="BR-12", revision=1, reason="scheduled", crew=["tech-03"]
)
NEIGHBOUR = entry("instrument.event", "12:00:00", instrument="TW-21", event="repaired")
LEAK = next(one for one in scenario.WORK if one["type"] == "leak.tested")
Steps = list[Any]


def changed(value: Any, steps: Steps, to: Any) -> Any:
    """The same with one member changed."""
    value = copy.deepcopy(value)
    *way, last = steps
    place = value
    for step in way:
        place = place[step]
    place[last] = to
    return value


def told(at: Any) -> str:
    return f"{at:%Y-%m-%dT%H:%M:%S}Z"


REFUSED = {
    "an asset that is not registered": (changed(TORQUE, ["asset"], "OX9"), "/asset", "unknown_asset"),
    "a procedure that is not published": (
        changed(OPENED, ["data", "procedure"], "BR-99"), "/data/procedure", "unknown_procedure"),
    "a revision that is not published": (
        changed(OPENED, ["data", "revision"], 7), "/data/revision", "unknown_revision"),
    "a torque in kilopascals": (
        changed(TORQUE, ["data", "torque", "unit"], "kPa"), "/data/torque/unit", "wrong_dimension"),
    "a torque in a unit nobody knows": (
        changed(TORQUE, ["data", "torque", "unit"], "stone.furlong"), "/data/torque/unit", "unknown_unit"),
    "a unit that would run as arithmetic": (
        changed(TORQUE, ["data", "torque", "unit"], "9**9**9"), "/data/torque/unit", "unknown_unit"),
    "a time without offset": (
        changed(TORQUE, ["occurred_at"], "2026-03-11T09:30:00"), "/occurred_at", "no_offset"),
    "a time that is none": (changed(TORQUE, ["occurred_at"], "half past nine"), "/occurred_at", "not_a_time"),
    "the thirtieth of February": (
        changed(TORQUE, ["occurred_at"], "2026-02-30T09:30:00Z"), "/occurred_at", "not_a_time"),
    "more than five minutes ahead": (
        changed(TORQUE, ["occurred_at"], told(NOW + timedelta(minutes=5, seconds=1))),
        "/occurred_at", "in_the_future"),
    "a reading inside that is ahead": (
        changed({**HERE, **LEAK}, ["data", "readings", 1, "at"], told(NOW + timedelta(hours=1))),
        "/data/readings/1/at", "in_the_future"),
    "a magnitude below nothing": (
        changed(TORQUE, ["data", "torque", "value"], "-1"), "/data/torque", "below_lowest"),
    "a value that is no number": (
        changed(TORQUE, ["data", "torque", "value"], "tight"), "/data/torque/value", "not_a_number"),
    "NaN as text": (changed(TORQUE, ["data", "torque", "value"], "NaN"), "/data/torque/value", "not_a_number"),
    "infinity as text": (
        changed(TORQUE, ["data", "torque", "value"], "Infinity"), "/data/torque/value", "not_a_number"),
    "true for a number": (changed(TORQUE, ["data", "torque", "value"], to=True), "/data/torque/value", "not_a_number"),
    "nineteen digits": (
        changed(TORQUE, ["data", "torque", "value"], "1.234567890123456789"), "/data/torque/value", "too_many_digits"),
    "a member that is not known": (changed(TORQUE, ["data", "colour"], "red"), "/data/colour", "unknown_member"),
    "a member that is missing": ({**TORQUE, "data": {"joint": "bonnet"}}, "/data/torque", "missing"),
    "an entry type nobody knows": (changed(TORQUE, ["type"], "torque.guessed"), "/type", "unknown_type"),
    "an entry that the server alone writes": (changed(TORQUE, ["type"], "rebuild.judged"), "/type", "server_only"),
    "an asset on an entry that is about none": (
        entry("instrument.event", "12:00:00", **HERE, instrument="TW-21", event="dropped") | {"rebuild": None},
        "/asset", "not_about_this"),
    "no asset where there must be one": (
        {name: value for name, value in TORQUE.items() if name != "asset"}, "/asset", "missing"),
    "a rebuild that is no UUID": (changed(TORQUE, ["rebuild"], "17"), "/rebuild", "wrong_form"),
    "more than 300 readings": (
        changed({**HERE, **LEAK}, ["data", "readings"], [LEAK["data"]["readings"][0]] * 301),
        "/data/readings", "too_many"),
    "a correction of what it is not about": (
        entry("entry.corrected", "12:00:00", entry=scenario.TORQUE_ID, reason="x"), "/data", "one_way"),
    "a certificate dated ahead": (
        entry("instrument.calibrated", "12:00:00", instrument="TW-21", on="2026-07-01"), "/data/on", "in_the_future"),
    "a circle of parents": (
        entry("asset.amended", "12:00:00", asset="OX2", patch={"parent": "OX2-LB"}), "/data/patch/parent", "circle"),
    "a patch that takes away what must be there": (
        entry("asset.amended", "12:00:00", asset="OX2", patch={"gas": None}), "/data/patch/gas", "missing"),
    "a version of the future": (changed(TORQUE, ["v"], 2), "/v", "too_great"),
}  # fmt: skip


@pytest.mark.parametrize(("sent", "where", "code"), REFUSED.values(), ids=REFUSED)
def test_what_cannot_be_a_fact_is_refused_at_its_field(quiet_desk: Desk, sent: Any, where: str, code: str) -> None:
    size = quiet_desk.size()
    assert problem(quiet_desk.post("/entries", sent), 422, code) == [(where, code)]
    assert problem(quiet_desk.post("/entries", {"entries": [NEIGHBOUR, sent]}), 422) == [(f"/entries/1{where}", code)]
    assert quiet_desk.size() == size


def test_an_unknown_unit_is_answered_with_the_known_ones(quiet_desk: Desk) -> None:
    answer = quiet_desk.post("/entries", changed(TORQUE, ["data", "torque", "unit"], "Nmm"))
    assert "N.m, ft.lbf, in.lbf, kgf.m, kgf.cm" in answer.json()["errors"][0]["detail"]


def test_an_entry_or_its_data_over_its_size_is_too_large(desk: Desk) -> None:
    long = changed(LEAK | HERE, ["data", "closed"], ["valve " + "x" * 58] * 50)
    long["data"]["readings"] = [LEAK["data"]["readings"][0]] * 300
    assert desk.post("/entries", long).status_code == 201, "a full leak test still fits"
    parts = [{"part": f"{index} " + "x" * 50, "action": "reuse", "substitutes": ["y" * 60] * 5} for index in range(200)]
    wide = entry("procedure.published", "12:00:00", **scenario.PROCEDURE | {"code": "BR-13"})
    wide["data"]["kit"]["parts"] = parts
    wide["data"]["lubricant"] = None
    assert problem(desk.post("/entries", wide), 422, "too_large") == [("/data", "too_large")]


class TestAfterClosing:
    def closed(self, desk: Desk) -> None:
        assert desk.post("/entries", BODY).status_code == 201

    @pytest.mark.parametrize(
        ("sent", "where", "code"),
        [
            (changed(TORQUE, ["occurred_at"], "2026-03-11T13:00:00+13:00"), "/occurred_at", "after_closing"),
            (entry("rebuild.closed", "13:00:00", **HERE, outcome="aborted"), "/rebuild", "already_closed"),
            (changed(OPENED, ["occurred_at"], "2026-03-11T13:00:00+13:00"), "/rebuild", "already_open"),
        ],
    )
    def test_new_work_contradicts_the_closing(self, desk: Desk, sent: Any, where: str, code: str) -> None:
        self.closed(desk)
        assert problem(desk.post("/entries", sent), 409, code) == [(where, code)]

    @pytest.mark.parametrize(
        "sent",
        [
            entry("note.added", "13:00:00", **HERE, text="the wards are content"),
            entry("rebuild.countersigned", "13:00:00", **HERE | {"by": "sup-09"}, role="engineer"),
            entry("finding.accepted", "13:00:00", **HERE, check="turns", reason="as agreed", authority="AE"),
            entry("notice.given", "13:00:00", **HERE, to=["ward 1"], when="after"),
            changed(TORQUE, ["occurred_at"], "2026-03-11T09:31:00+13:00"),
        ],
        ids=["a note", "a countersignature", "a concession", "a notice", "a late fact"],
    )
    def test_notes_signatures_concessions_notices_and_late_facts_are_taken(self, desk: Desk, sent: Any) -> None:
        self.closed(desk)
        desk.record(sent)

    def test_a_withdrawn_closing_opens_the_rebuild_again(self, desk: Desk) -> None:
        closing = desk.post("/entries", BODY).json()["accepted"][-2]["id"]
        desk.record(entry("entry.corrected", "12:30:00", entry=closing, reason="too early", withdrawn=True))
        desk.record(changed(TORQUE, ["occurred_at"], "2026-03-11T13:00:00+13:00"))


class TestRecordedHoweverBadItLooks:
    @pytest.mark.parametrize(
        "sent",
        [
            changed(TORQUE, ["data", "torque"], q("900 ft.lbf")),
            changed(TORQUE, ["data", "joint"], "a joint nobody knows"),
            changed(TORQUE, ["data", "instrument"], "a wrench nobody knows"),
            entry("part.fitted", "09:00:00", **HERE, part="a part of another kit", new=True),
            changed(OPENED, ["asset"], "OX2"),
            entry("entry.corrected", "12:00:00", entry=scenario.TORQUE_ID, reason="ahead of it", withdrawn=True),
            changed(TORQUE, ["occurred_at"], told(NOW + timedelta(minutes=5))),
        ],
        ids=[
            "fifteen times too tight",
            "an unknown joint",
            "an unknown instrument",
            "a part from the wrong kit",
            "a procedure that does not apply",
            "a correction before its target",
            "a clock five minutes fast",
        ],
    )
    def test_a_true_observation_is_never_refused(self, desk: Desk, sent: Any) -> None:
        desk.record(sent)

    def test_facts_may_come_before_the_entry_that_opens_their_rebuild(self, desk: Desk) -> None:
        receipt = desk.record(TORQUE)
        assert receipt["rebuilds"] == [{"id": scenario.REBUILD, "state": "unopened", "verdict": "inconclusive"}]
        assert desk.record(OPENED)["rebuilds"][0]["state"] == "open"
