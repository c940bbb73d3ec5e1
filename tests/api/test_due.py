"""``GET /due``: what is due, soonest first, on any day, in the facility's own calendar."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest

from service.api.shapes import DuePage
from tests.api import scenario
from tests.api.desk import Desk, problem
from tests.api.scenario import REBUILD, entry, q

ITEM = {
    "asset", "procedure", "gas", "state", "due_on", "window_on", "days", "why", "anchor", "rebuild", "out_of_service",
    "says",
}  # fmt: skip


def regulator(tag: str, commissioned: str | None, **plan: Any) -> dict[str, Any]:
    data = {"kind": "bank_regulator", "gas": "oxygen", "service": [{"procedure": "BR-12", "every": "P1Y"} | plan]}
    dated = {"commissioned_on": commissioned} if commissioned else {}
    return {"type": "asset.registered", "occurred_at": "2026-01-05T09:00:00Z", "asset": tag, "data": data | dated}


def due(desk: Desk, query: str = "") -> list[tuple[str, str]]:
    return [(one["asset"], one["state"]) for one in desk.walk(f"/due?{query}")]


def test_a_conforming_rebuild_starts_the_count_anew(either_desk: Desk) -> None:
    (before,) = either_desk.get("/due").json()["items"]
    assert (before["due_on"], before["state"], before["anchor"]) == ("2025-02-20", "overdue", "2023-02-20")
    either_desk.post("/entries", scenario.BODY)
    page = either_desk.get("/due").json()
    DuePage.model_validate(page)
    (item,) = page["items"]
    assert set(item) == ITEM
    assert (item["asset"], item["procedure"], item["gas"]) == ("OX2-LB", "BR-12", "oxygen")
    # closed on 2026-03-11 in Auckland + P2Y, window P30D before it
    assert (item["anchor"], item["due_on"], item["window_on"]) == ("2026-03-11", "2028-03-11", "2028-02-10")
    assert (item["state"], item["why"], item["rebuild"]) == ("not_due", "calendar", REBUILD)
    assert item["days"] == 648  # from 2026-06-02, which it is in Auckland by then


@pytest.mark.parametrize("fault", ["torque", "left out"])
def test_a_rebuild_that_does_not_conform_or_is_left_out_starts_nothing(desk: Desk, fault: str) -> None:
    body = [{**scenario.DEFAULTS, **one} for one in scenario.WORK]
    if fault == "torque":
        body = [one | {"data": one["data"] | {"torque": q("90 N.m")}} if one["type"] == "torque.applied" else one
                for one in body]  # fmt: skip
    else:
        body = [one | {"data": {"outcome": "left_out_of_service"}} if one["type"] == "rebuild.closed" else one
                for one in body]  # fmt: skip
    desk.record(*body)
    (item,) = desk.get("/due").json()["items"]
    assert (item["anchor"], item["state"]) == ("2023-02-20", "overdue")
    assert item["out_of_service"] is (fault == "left out")


@pytest.fixture
def several(either_desk: Desk) -> Desk:
    """On 2026-06-02: two overdue, one due, two not due, one without a baseline."""
    nitrogen = regulator("N-4", "2025-12-01")
    nitrogen["data"]["gas"] = "nitrogen"
    either_desk.record(
        regulator("N-1", "2025-05-01"),
        regulator("N-2", "2025-06-20", window="P30D"),
        regulator("N-3", "2025-09-01", window="P30D"),
        nitrogen,
        regulator("N-5", None),
    )
    return either_desk


class TestStates:
    def test_the_soonest_comes_first_and_what_has_no_baseline_last(self, several: Desk) -> None:
        expected = [
            ("OX2-LB", "overdue"),
            ("N-1", "overdue"),
            ("N-2", "due"),
            ("N-3", "not_due"),
            ("N-4", "not_due"),
            ("N-5", "no_baseline"),
        ]
        for limit in (1, 2, 5, 200):
            assert due(several, f"limit={limit}") == expected

    def test_the_list_narrows_by_state_days_and_gas(self, several: Desk) -> None:
        for query, tags in (
            ("state=overdue", ["OX2-LB", "N-1"]),
            ("state=due", ["N-2"]),
            ("state=not_due", ["N-3", "N-4"]),
            ("state=no_baseline", ["N-5"]),
            ("within=0", ["OX2-LB", "N-1"]),
            ("within=18", ["OX2-LB", "N-1", "N-2"]),
            ("within=17", ["OX2-LB", "N-1"]),
            ("gas=nitrogen", ["N-4"]),
            ("gas=argon", []),
            ("state=not_due&gas=oxygen", ["N-3"]),
            ("state=due&within=10", []),
        ):
            assert [tag for tag, _ in due(several, f"{query}&limit=1")] == tags, query

    def test_another_day_gives_the_states_of_that_day(self, several: Desk) -> None:
        """N-1 was commissioned on 2025-05-01 with P1Y: due on 2026-05-01, overdue from the day after."""
        for day, state in (("2026-05-01", "due"), ("2026-05-02", "overdue"), ("2025-06-01", "not_due")):
            page = several.get(f"/due?as_of={day}").json()
            assert page["as_of"] == day
            assert {one["asset"]: one["state"] for one in page["items"]}["N-1"] == state

    def test_a_day_in_the_past_knows_nothing_of_what_came_later(self, desk: Desk) -> None:
        desk.post("/entries", scenario.BODY)
        (then,) = desk.get("/due?as_of=2026-03-10").json()["items"]
        assert (then["anchor"], then["state"]) == ("2023-02-20", "overdue")
        (after,) = desk.get("/due?as_of=2026-03-11").json()["items"]
        assert (after["anchor"], after["state"]) == ("2026-03-11", "not_due")

    def test_usage_may_come_before_the_calendar(self, desk: Desk) -> None:
        """300 changeovers in 100 days: 400 are reached 134 days after the anchor, rounded to whole days."""
        desk.post("/entries", scenario.BODY)
        for day, reading in (("2026-03-11", "1000"), ("2026-05-20", "1300")):
            desk.record(
                {"type": "meter.read", "occurred_at": f"{day}T12:00:00+13:00", "asset": "OX2",
                 "data": {"meter": "changeovers", "reading": reading}}
            )  # fmt: skip
        (item,) = desk.get("/due").json()["items"]
        assert item["why"] == "usage"
        assert "2026-06-01" <= item["due_on"] <= "2026-07-01"

    def test_a_retired_asset_is_due_no_more(self, desk: Desk) -> None:
        desk.record(entry("asset.retired", "12:08:00", asset="OX2-LB"))
        assert desk.walk("/due") == []


class TestTheFacilitysMidnight:
    """Auckland is UTC+12 in June: its day begins at noon UTC. IANA time zone database."""

    def day(self, desk: Desk, at: datetime) -> str:
        desk.clock.at = at
        day: str = desk.get("/due").json()["as_of"]
        return day

    def test_the_day_turns_when_it_turns_there(self, quiet_desk: Desk) -> None:
        assert self.day(quiet_desk, datetime(2026, 6, 1, 11, 59, 59, tzinfo=UTC)) == "2026-06-01"
        assert self.day(quiet_desk, datetime(2026, 6, 1, 12, 0, 0, tzinfo=UTC)) == "2026-06-02"

    def test_summer_time_moves_it_by_an_hour(self, quiet_desk: Desk) -> None:
        assert self.day(quiet_desk, datetime(2026, 12, 1, 10, 59, 59, tzinfo=UTC)) == "2026-12-01"
        assert self.day(quiet_desk, datetime(2026, 12, 1, 11, 0, 0, tzinfo=UTC)) == "2026-12-02"

    def test_what_was_due_today_is_overdue_after_midnight(self, desk: Desk) -> None:
        desk.record(regulator("N-1", "2025-06-02"))
        desk.clock.at = datetime(2026, 6, 2, 11, 59, tzinfo=UTC)
        assert ("N-1", "due") in due(desk)
        desk.clock.at = datetime(2026, 6, 2, 12, 0, tzinfo=UTC)
        assert ("N-1", "overdue") in due(desk)

    def test_the_closing_day_is_the_day_it_was_there(self, desk: Desk) -> None:
        """Closed at 11:15 on the 11th in Auckland, which was still the 10th in Greenwich."""
        desk.post("/entries", scenario.BODY)
        assert desk.get("/due").json()["items"][0]["anchor"] == "2026-03-11"

    def test_a_move_to_another_zone_holds_from_its_day(self, desk: Desk) -> None:
        """Chatham is 45 minutes ahead of Auckland."""
        desk.record(entry("facility.amended", "12:09:00", time_zone="Pacific/Chatham", from_day="2026-06-05"))
        assert self.day(desk, datetime(2026, 6, 2, 11, 30, tzinfo=UTC)) == "2026-06-02"
        assert self.day(desk, datetime(2026, 6, 8, 11, 30, tzinfo=UTC)) == "2026-06-09"


@pytest.mark.parametrize(
    ("query", "where"),
    [
        ("as_of=0", "/query/as_of"),
        ("as_of=2026-02-30", "/query/as_of"),
        ("as_of=2026-06-01T00:00:00", "/query/as_of"),
        ("as_of=1899-12-31", "/query/as_of"),
        ("as_of=3000-01-01", "/query/as_of"),
        ("state=late", "/query/state"),
        ("within=-1", "/query/within"),
        ("within=999999999999", "/query/within"),
        ("gas=Oxygen%20", "/query/gas"),
        ("limit=0", "/query/limit"),
    ],
)
def test_a_question_that_cannot_be_is_refused_at_its_parameter(quiet_desk: Desk, query: str, where: str) -> None:
    assert [pointer for pointer, _ in problem(quiet_desk.get(f"/due?{query}"), 422)] == [where]


def test_a_service_by_a_procedure_that_nobody_published_is_kept_and_says_so(desk: Desk) -> None:
    unknown = regulator("N-9", "2025-05-01")
    unknown["data"]["service"] = [{"procedure": "BR-99", "every": "P1Y"}]
    desk.record(unknown)
    says = {item["asset"]: item["says"] for item in desk.get("/due").json()["items"]}
    assert says["N-9"] == "2025-05-01 + P1Y = 2026-05-01; no procedure BR-99 is published here"
    assert "published" not in says["OX2-LB"]


@pytest.mark.parametrize(
    ("query", "where", "words"),
    [
        ("within=soon", "/query/within", "a whole number is wanted"),
        ("within=-1", "/query/within", "0 at least"),
        ("state=late", "/query/state", "one of these is wanted: 'no_baseline', 'not_due', 'due' or 'overdue'"),
        ("as_of=1850-01-01", "/query/as_of", "a year from 1900 on is wanted"),
        ("as_of=2026-02-30", "/query/as_of", "no such day"),
    ],
)
def test_a_parameter_that_cannot_be_used_is_told_in_plain_words(
    quiet_desk: Desk, query: str, where: str, words: str
) -> None:
    errors = quiet_desk.get(f"/due?{query}").json()["errors"]
    assert [(one["pointer"], one["detail"]) for one in errors] == [(where, words)]
