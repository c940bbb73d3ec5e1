"""What a judgement looks back on is looked back on by a verifier too: an honest ledger is never called wrong."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from tests.ledger.scenario import DAY, REGULATOR, entry, rebuild
from tests.log.kept import Kept

SECOND = "01981000-0000-7000-8000-0000000000bb"
THIRD = "01981000-0000-7000-8000-0000000000cc"
FOURTH = "01981000-0000-7000-8000-0000000000dd"


@pytest.fixture
def kept(kept: Kept) -> Kept:
    """Half a year on."""
    kept.bench.clock.now = datetime(2026, 12, 20, 12, tzinfo=UTC)
    return kept


def q(value: str, unit: str) -> dict[str, str]:
    return {"value": value, "unit": unit}


def adjusted(day: str, clock: str, turns: str, before: str, after: str) -> dict:
    data = {"turns": q(turns, "turn"), "before": q(before, "kPa"), "after": q(after, "kPa")}
    return entry("setting.adjusted", clock, data, asset="AIR1-LB", day=day)


def exchanged(day: str, out: str, came: str) -> dict:
    return entry("asset.exchanged", "09:00", {"serial_out": out, "serial_in": came}, asset="AIR1-LB", day=day)


def short(id_: str, asset: str, day: str) -> list[dict]:
    """A rebuild whose stem goes back in by a turn less than it came out, with no setting after it."""
    kept = [one for one in rebuild(id_, asset=asset, day=day) if one["type"] != "setting.adjusted"]
    for one in kept:
        if one["type"] == "turns.counted" and one["data"]["direction"] == "in":
            one["data"] = {**one["data"], "turns": q("7.5", "turn")}
    return kept


def holds(kept: Kept) -> list[str]:
    kept.export()
    report = kept.verify()
    return [str(wrong) for wrong in report.wrong]


def test_adjustments_between_rebuilds_teach_the_verifier_what_they_taught_the_service(kept: Kept) -> None:
    for number, (before, after) in enumerate([("400", "435"), ("400", "433"), ("400", "436")]):
        kept.bench.post(adjusted(f"2026-08-0{number + 1}", "09:00", "0.5", before, after))
    kept.bench.post(short(SECOND, "AIR1-LB", "2026-09-05"))
    assert "the median of " in kept.bench.finding("turns", "stem", SECOND)["says"]
    assert holds(kept) == []


def test_what_was_done_to_another_device_in_the_position_is_none_of_this_ones(kept: Kept) -> None:
    kept.bench.post(adjusted("2026-08-01", "09:00", "1", "400", "470"))
    kept.bench.post(exchanged("2026-09-01", "S-204", "S-301"))
    kept.bench.post(adjusted("2026-09-02", "09:00", "0.5", "400", "430"))
    kept.bench.post(rebuild(SECOND, day="2026-09-03"))
    kept.bench.post(exchanged("2026-10-01", "S-301", "S-204"))
    kept.bench.post(rebuild(THIRD, day="2026-10-02"))
    assert "adjusted since: 8.75 + 1 = 9.75" in kept.bench.finding("stem_continuity", "stem", THIRD)["says"]
    assert holds(kept) == []


def test_a_device_that_moved_is_looked_back_on_where_it_was(kept: Kept) -> None:
    kept.bench.post(exchanged("2026-09-01", "S-204", "S-301"))
    kept.bench.post(entry("asset.registered", "07:00", {**REGULATOR, "commissioned_on": DAY}, asset="AIR1-RB"))
    kept.bench.post(rebuild(SECOND, asset="AIR1-RB", day="2026-09-05"))
    assert kept.bench.finding("stem_continuity", "stem", SECOND)["verdict"] == "conforming"
    assert holds(kept) == []


def test_how_the_stem_was_left_is_carried_through_a_rebuild_without_counts(kept: Kept) -> None:
    uncounted = [one for one in rebuild(SECOND, day="2026-09-05")
                 if one["type"] not in {"turns.counted", "part.removed", "part.fitted", "setting.adjusted"}]  # fmt: skip
    kept.bench.post(uncounted)
    kept.bench.post(rebuild(THIRD, day="2026-10-05"))
    assert kept.bench.finding("stem_continuity", "stem", THIRD)["verdict"] == "conforming"
    assert holds(kept) == []
