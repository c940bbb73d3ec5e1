"""Procedures: published revision by revision, with the sockets to bring."""

from __future__ import annotations

import copy
from typing import Any

import pytest

from service.api.register_shapes import ProcedurePage, ProcedureShape
from tests.api import scenario
from tests.api.desk import Desk, problem
from tests.api.scenario import PROCEDURE, q

SIMPLE = {"code": "VT-3", "revision": 1, "title": "Vent valve"}


def test_a_procedure_is_answered_as_it_was_published(either_desk: Desk) -> None:
    answer = either_desk.post("/procedures", PROCEDURE | {"code": "BR-20"})
    assert answer.status_code == 201
    assert answer.headers["location"] == "/v1/facilities/tidewater/procedures/BR-20/revisions/1"
    shown = answer.json()
    ProcedureShape.model_validate(shown)
    assert shown["revisions"] == [1]
    assert {name: shown[name] for name in PROCEDURE if name not in {"code", "tools"}} == {
        name: value for name, value in PROCEDURE.items() if name not in {"code", "tools"}
    }
    assert either_desk.call("GET", "/" + answer.headers["location"]).json() == shown


class TestRevisions:
    def publish(self, desk: Desk, *revisions: int) -> None:
        for revision in revisions:
            told = SIMPLE | {"revision": revision, "title": f"Vent valve, {revision}"}
            assert desk.post("/procedures", told).status_code == 201

    def test_the_newest_revision_answers_and_the_older_ones_stay(self, either_desk: Desk) -> None:
        self.publish(either_desk, 1, 2, 3)
        newest = either_desk.get("/procedures/VT-3").json()
        assert (newest["revision"], newest["title"], newest["revisions"]) == (3, "Vent valve, 3", [1, 2, 3])
        assert either_desk.get("/procedures/VT-3/revisions/1").json()["title"] == "Vent valve, 1"

    def test_a_procedure_may_begin_at_a_later_revision_than_the_first(self, desk: Desk) -> None:
        """It had revisions on paper before."""
        self.publish(desk, 4, 5)

    @pytest.mark.parametrize("revision", [1, 2, 4])
    def test_only_the_next_revision_can_be_published(self, desk: Desk, revision: int) -> None:
        self.publish(desk, 1, 2)
        answer = desk.post("/procedures", SIMPLE | {"revision": revision})
        assert problem(answer, 409, "not_next_revision") == [("/revision", "not_next_revision")]
        assert "is 3" in answer.json()["detail"]

    def test_a_revision_is_not_sent_again_to_who_has_it(self, desk: Desk) -> None:
        self.publish(desk, 1)
        seen = desk.get("/procedures/VT-3/revisions/1").headers["etag"]
        assert desk.get("/procedures/VT-3/revisions/1", headers={"If-None-Match": seen}).status_code == 304

    def test_procedures_and_revisions_that_are_not_there_are_not_found(self, quiet_desk: Desk) -> None:
        for path in ("/procedures/XX-1", "/procedures/BR-12/revisions/9"):
            assert problem(quiet_desk.get(path), 404, "unknown_procedure") == []
        assert problem(quiet_desk.get("/procedures/BR-12/revisions/0"), 422) == [("/path/revision", "wrong_parameter")]

    def test_the_list_has_each_code_with_its_newest_revision(self, either_desk: Desk) -> None:
        self.publish(either_desk, 1, 2)
        either_desk.post("/procedures", SIMPLE | {"code": "AB-1"})
        ProcedurePage.model_validate(either_desk.get("/procedures").json())
        expected = [("AB-1", 1), ("BR-12", 1), ("VT-3", 2)]
        for limit in (1, 2, 50):
            found = either_desk.walk(f"/procedures?limit={limit}")
            assert [(one["code"], one["revision"]) for one in found] == expected


class TestSockets:
    """Which socket to bring: common practice, no published source."""

    def sockets(self, desk: Desk, size: str) -> Any:
        tools = [{"tool": "socket", "across_flats": q(size)}, {"tool": "soft brush"}]
        shown = desk.post("/procedures", SIMPLE | {"tools": tools}).json()["tools"]
        assert "sockets" not in shown[1]
        assert shown[0]["across_flats"] == q(size), "as published"
        return shown[0]["sockets"]

    def test_for_a_two_inch_hexagon_52_mm_is_the_one_and_50_mm_must_not_be_used(self, desk: Desk) -> None:
        """2 in × 25.4 mm/in = 50.8 mm exactly (international inch)."""
        told = self.sockets(desk, "2 in")
        assert told["across_flats"]["si"] == {"value": "50.800", "unit": "mm"}
        assert told["metric"] == ["52 mm"]
        assert told["inch"] == ["2 in"]
        rule = "one that fits is 0 to 2.5 % larger than the nominal size"
        assert {"socket": "50 mm", "why": f"0.80 mm (1.6 %) too small: {rule}"} in told["near"]
        assert told["source"] == f"{rule}; common practice, no published source"

    def test_a_metric_hexagon_is_told_its_inch_sockets_too(self, desk: Desk) -> None:
        told = self.sockets(desk, "32 mm")
        assert told["metric"] == ["32 mm"]
        assert told["inch"] == []
        assert [near["socket"] for near in told["near"]] == ["1 1/4 in", "1 5/16 in"]


@pytest.mark.parametrize(
    ("steps", "to", "where", "code"),
    [
        (["joints", 0, "torque", "unit"], "kPa", "/joints/0/torque/unit", "wrong_dimension"),
        (["joints", 1, "low"], q("33 N.m"), "/joints/1", "upside_down"),
        (["zero_pressure", "hold"], "two minutes", "/zero_pressure/hold", "not_a_duration"),
        (["before", 0, 0], "torque.guessed", "/before/0/0", "unknown_milestone"),
        (["kit", "parts", 0, "joint"], "a joint of another procedure", "/kit/parts/0/joint", "loose_end"),
        (["lubricant", "on", 0], "a part of another procedure", "/lubricant/on/0", "loose_end"),
        (["before", 0, 1], "torque.applied:a joint of another procedure", "/before/0/1", "loose_end"),
        (["leak_test", "limit", "unit"], "kPa", "/leak_test/limit/unit", "wrong_dimension"),
        (["tools", 0, "across_flats", "unit"], "bar", "/tools/0/across_flats/unit", "wrong_dimension"),
        (["revision"], 0, "/revision", "too_small"),
        (["revision"], "1", "/revision", "wrong_type"),
        (["notice"], "yes", "/notice", "wrong_type"),
    ],
)
def test_faults_point_into_the_procedure(quiet_desk: Desk, steps: list[Any], to: Any, where: str, code: str) -> None:
    sent = copy.deepcopy(scenario.PROCEDURE | {"code": "BR-21"})
    *way, last = steps
    place: Any = sent
    for step in way:
        place = place[step]
    place[last] = to
    assert problem(quiet_desk.post("/procedures", sent), 422) == [(where, code)]
