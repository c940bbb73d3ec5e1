"""Rebuilds looked up: state, verdict, each finding with its arithmetic, what was recorded and what became of it."""

from __future__ import annotations

from typing import Any

import pytest

from service.api.shapes import RebuildPage, RebuildShape
from tests.api import scenario
from tests.api.desk import Desk, problem
from tests.api.scenario import HERE, REBUILD, entry, q

OTHER = "0198e2b4-7a10-7c3e-9d55-3f1f6a2b7c02"
FINDING = {
    "check", "subject", "verdict", "counts", "measured", "required", "says", "advice", "source", "entries", "accepted",
}  # fmt: skip


def finding(told: Any, check: str, subject: str) -> Any:
    return next(one for one in told["findings"] if (one["check"], one["subject"]) == (check, subject))


@pytest.fixture
def posted(desk: Desk) -> Desk:
    assert desk.post("/entries", scenario.BODY).status_code == 201
    return desk


def test_a_rebuild_is_told_whole(either_desk: Desk) -> None:
    either_desk.post("/entries", scenario.BODY)
    told = either_desk.get(f"/rebuilds/{REBUILD}").json()
    RebuildShape.model_validate(told)
    assert (told["id"], told["asset"], told["procedure"]) == (REBUILD, "OX2-LB", {"code": "BR-12", "revision": 1})
    assert (told["state"], told["verdict"], told["outcome"]) == ("closed", "conforming", "returned_to_service")
    assert told["opened_at"] == "2026-03-10T19:10:00.000000Z"
    assert told["closed_at"] == "2026-03-10T22:15:00.000000Z"
    assert [fact["type"] for fact in told["facts"]] == [one["type"] for one in scenario.WORK]
    assert {one["check"] for one in told["findings"]} == {
        one["check"] for one in either_desk.get("/checks").json()["items"]
    }


def test_every_finding_has_its_arithmetic_its_source_and_the_entries_it_rests_on(posted: Desk) -> None:
    told = posted.get(f"/rebuilds/{REBUILD}").json()
    ids = {fact["id"] for fact in told["facts"]}
    for one in told["findings"]:
        assert set(one) - {"probability"} == FINDING
        assert one["says"]
        assert one["source"]
        assert set(one["entries"]) <= ids
    bonnet = finding(told, "torque", "bonnet")
    assert bonnet["measured"] == {"value": "44.0", "unit": "ft.lbf", "si": {"value": "59.6", "unit": "N.m"}}
    # 44 ft.lbf × 1.3558179483314004 = 59.656 N.m (NIST SP 811 App. B.8, from memory); ± 5 %
    assert bonnet["required"]["target"]["si"] == {"value": "59.656", "unit": "N.m"}
    assert bonnet["required"]["low"]["si"] == {"value": "56.673", "unit": "N.m"}
    assert bonnet["required"]["high"]["si"] == {"value": "62.639", "unit": "N.m"}
    assert 0.95 <= float(bonnet["probability"]) <= 1


def test_an_id_is_found_in_capitals_too_and_an_unknown_one_is_not(posted: Desk) -> None:
    assert posted.get(f"/rebuilds/{REBUILD.upper()}").json()["id"] == REBUILD
    assert problem(posted.get(f"/rebuilds/{OTHER}"), 404, "unknown_rebuild") == []


def test_a_correction_changes_the_verdict_and_stays_beside_what_it_corrects(posted: Desk) -> None:
    torque = next(
        fact for fact in posted.get(f"/rebuilds/{REBUILD}").json()["facts"] if fact["data"].get("stage") == "final"
    )
    data = torque["data"] | {"torque": q("34.0 ft.lbf")}
    correction = posted.record(
        entry("entry.corrected", "12:30:00", by="tech-05", entry=torque["id"], reason="misread",
              replacement={"data": data})
    )  # fmt: skip
    assert correction["rebuilds"] == [{"id": REBUILD, "state": "closed", "verdict": "nonconforming"}]
    told = posted.get(f"/rebuilds/{REBUILD}").json()
    RebuildShape.model_validate(told)
    shown = next(fact for fact in told["facts"] if fact["id"] == torque["id"])
    assert shown["data"] == torque["data"], "as recorded"
    assert shown["holds_instead"]["data"]["torque"] == q("34.0 ft.lbf")
    assert [(one["entry"], one["holds"], one["reason"], one["by"]) for one in told["corrections"]] == [
        (torque["id"], True, "misread", "tech-05")
    ]
    assert [one["verdict"] for one in told["judged"]] == ["conforming", "nonconforming"]
    assert told["judged"][1]["through"] > told["judged"][0]["through"]


def test_a_withdrawn_fact_is_marked_and_counts_no_more(posted: Desk) -> None:
    fitted = next(
        fact
        for fact in posted.get(f"/rebuilds/{REBUILD}").json()["facts"]
        if fact["type"] == "part.fitted" and fact["data"]["part"] == "spring"
    )
    posted.record(entry("entry.corrected", "12:30:00", entry=fitted["id"], reason="it lay there", withdrawn=True))
    told = posted.get(f"/rebuilds/{REBUILD}").json()
    shown = next(fact for fact in told["facts"] if fact["id"] == fitted["id"])
    assert (shown["withdrawn"], shown["holds_instead"]) == (True, None)
    assert finding(told, "parts", "spring")["verdict"] == "nonconforming"


def test_of_rival_corrections_both_are_shown_and_one_holds(posted: Desk) -> None:
    note = posted.record(entry("note.added", "12:00:00", **HERE, text="a"))["accepted"][0]["id"]
    for clock, text in (("12:20:00", "later"), ("12:10:00", "earlier")):
        replacement = {"data": {"text": text}}
        posted.record(entry("entry.corrected", clock, entry=note, reason=text, replacement=replacement))
    told = posted.get(f"/rebuilds/{REBUILD}").json()
    assert {one["reason"]: one["holds"] for one in told["corrections"]} == {"later": True, "earlier": False}
    assert {one["why_not"] for one in told["corrections"]} == {None, "a later correction holds"}


def test_a_fact_that_came_after_the_closing_says_how_late(posted: Desk) -> None:
    posted.clock.at = posted.clock.at.replace(month=3, day=12, hour=0)
    posted.record(entry("note.added", "09:00:00", **HERE, text="from the paper slip"))
    told = posted.get(f"/rebuilds/{REBUILD}").json()
    late = {fact["data"].get("text"): fact["late_by"] for fact in told["facts"] if fact["late_by"]}
    assert set(late) == {"from the paper slip"}
    # closed 2026-03-10T22:15Z; the ledger's clock never runs backwards, and it stood at 2026-06-01T12:00Z before
    assert late["from the paper slip"] == "P82DT13H45M0S"


def test_a_concession_stands_beside_the_finding_and_changes_no_verdict(desk: Desk) -> None:
    without_it = [one for one in scenario.WORK if (one["type"], one["data"].get("part")) != ("part.fitted", "spring")]
    body = [{**scenario.DEFAULTS, **one} for one in without_it]
    assert desk.record(*body)["rebuilds"][0]["verdict"] == "nonconforming"
    desk.record(
        entry("finding.accepted", "12:01:00", **HERE | {"by": "sup-01"}, check="parts", subject="spring",
              reason="no spare on the coast", authority="authorising engineer")
    )  # fmt: skip
    told = desk.get(f"/rebuilds/{REBUILD}").json()
    spring = finding(told, "parts", "spring")
    assert (told["verdict"], spring["verdict"]) == ("nonconforming", "nonconforming")
    (accepted,) = spring["accepted"]
    assert {name: accepted[name] for name in ("by", "reason", "authority")} == {
        "by": "sup-01",
        "reason": "no spare on the coast",
        "authority": "authorising engineer",
    }
    assert finding(told, "parts", "seat")["accepted"] == []


def test_what_has_not_changed_is_not_sent_again(posted: Desk) -> None:
    path = f"/rebuilds/{REBUILD}"
    seen = {"If-None-Match": posted.get(path).headers["etag"]}
    assert posted.get(path, headers=seen).status_code == 304
    posted.record(entry("note.added", "12:00:00", **HERE, text="a"))
    assert posted.get(path, headers=seen).status_code == 200


class TestTheList:
    @pytest.fixture
    def several(self, either_desk: Desk) -> Desk:
        either_desk.post("/entries", scenario.BODY)
        for number in range(2, 9):
            here = HERE | {"rebuild": f"0198e2b4-7a10-7c3e-9d55-3f1f6a2b7c{number:02}"}
            either_desk.record(entry("note.added", "08:00:00", **here, text="first heard of"))
        opened = entry("rebuild.opened", "08:00:00", **HERE | {"rebuild": OTHER, "asset": "OX2"}, procedure="BR-12",
                       revision=1, reason="recall")  # fmt: skip
        either_desk.record(opened | {"asset": "OX2"})
        return either_desk

    def test_is_walked_to_its_end_in_the_order_first_heard_of(self, several: Desk) -> None:
        RebuildPage.model_validate(several.get("/rebuilds").json())
        expected = [f"0198e2b4-7a10-7c3e-9d55-3f1f6a2b7c{number:02}" for number in range(1, 9)]
        for limit in (1, 3, 8, 200):
            assert [one["id"] for one in several.walk(f"/rebuilds?limit={limit}")] == expected

    def test_narrows(self, several: Desk) -> None:
        for query, found in (
            ("state=closed", [REBUILD]),
            ("state=open", [OTHER]),
            ("verdict=conforming", [REBUILD]),
            ("procedure=BR-12", [REBUILD, OTHER]),
            ("asset=OX2", [OTHER]),
            ("asset=OX2-LB&state=open", []),
            ("procedure=XX-1", []),
        ):
            assert [one["id"] for one in several.walk(f"/rebuilds?{query}&limit=1")] == found, query

    def test_states_and_verdicts_are_words_that_exist(self, quiet_desk: Desk) -> None:
        assert problem(quiet_desk.get("/rebuilds?state=ajar"), 422) == [("/query/state", "wrong_parameter")]
        assert problem(quiet_desk.get("/rebuilds?verdict=pass"), 422) == [("/query/verdict", "wrong_parameter")]
