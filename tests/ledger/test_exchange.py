"""Another device in the position: the history goes with the serial, the due dates stay with the position.

A due date says how often the work is to be done *there*; how a device was left says something of the device. Common
practice, no published source.
"""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from tests.ledger.bench import Bench, Clock
from tests.ledger.scenario import DAY, FACILITY, REBUILD, REGULATOR, corrected, entry, find, rebuild, setting_up

SECOND = "01981000-0000-7000-8000-0000000000bb"
THIRD = "01981000-0000-7000-8000-0000000000cc"
TODAY = "2026-12-20"
SPARE = {**REGULATOR, "serial": "S-301", "service": [], "parent": "AIR1"}
SPARE.pop("commissioned_on")


def opened(store, **facility):
    """A facility set up, half a year on."""
    bench = Bench(store, {**FACILITY, **facility}, Clock(datetime(2026, 12, 20, 12, tzinfo=UTC)))
    bench.post(setting_up())
    return bench


@pytest.fixture
def bench(store):
    return opened(store)


def exchanged(day="2026-09-01", clock="09:00", came="S-301", **more):
    data = {"serial_out": "S-204", "serial_in": came, "reason": "body cracked", **more}
    return entry("asset.exchanged", clock, data, asset="AIR1-LB", day=day)


def due(bench, asset="AIR1-LB", as_of=TODAY):
    (found,) = [one for one in bench.due(as_of) if one["asset"] == asset]
    return found


def continuity(bench, id_):
    return bench.finding("stem_continuity", "stem", id_)


# The date follows the position


def test_a_device_fresh_from_the_factory_moves_no_due_date(bench):
    bench.post(rebuild())
    before = due(bench)
    bench.post(exchanged())
    after = due(bench)
    assert {**after, "says": ""} == {**before, "says": ""}
    assert after["due_on"] == "2029-07-14"


def test_the_due_list_says_that_another_device_is_there_and_what_would_move_the_date(bench):
    bench.post(rebuild())
    bench.post(exchanged())
    assert due(bench)["says"].endswith(
        "; device exchanged 2026-09-01 (S-204 out, S-301 in): the date follows the position, only a rebuild recorded "
        "there moves it"
    )
    bench.post(exchanged("2026-10-02", serial_out="S-301", came="S-377"))
    assert "exchanged 2026-09-01 (S-204 out, S-301 in), 2026-10-02 (S-301 out, S-377 in):" in due(bench)["says"]


def test_a_device_rebuilt_on_the_bench_before_it_came_moves_none_either(bench):
    """It was rebuilt where spares are kept, under another tag: that is its history, and no work done here."""
    bench.post(entry("asset.registered", "07:00", SPARE, asset="SPARE-1", day="2026-03-03"))
    bench.post(rebuild(day="2026-06-01"))
    bench.post(rebuild(SECOND, asset="SPARE-1", day="2026-08-20"))
    assert bench.rebuild(SECOND).verdict == "conforming"
    bench.post(exchanged())
    assert (due(bench)["due_on"], due(bench)["rebuild"]) == ("2029-06-01", REBUILD)


def test_a_rebuild_of_the_new_device_in_the_position_does_and_no_more_is_said(bench):
    bench.post(rebuild())
    bench.post(exchanged())
    bench.post(rebuild(SECOND, day="2026-09-02"))
    assert (due(bench)["due_on"], due(bench)["anchor"]) == ("2029-09-02", "2026-09-02")
    assert "exchanged" not in due(bench)["says"]


def test_one_exchanged_and_rebuilt_on_one_day_is_told_by_the_clock(bench):
    bench.post(rebuild(day="2026-09-01"))  # closed 10:00
    bench.post(exchanged(clock="07:30"))
    assert "exchanged" not in due(bench)["says"]
    bench.post(exchanged(clock="16:00", came="S-400", serial_out="S-301"))
    assert "S-400 in" in due(bench)["says"]
    assert "S-204 out" not in due(bench)["says"]


def test_counted_from_the_commissioning_it_stays_so(bench):
    bench.post(exchanged())
    assert due(bench)["due_on"] == "2026-02-01"
    assert "2023-02-01 + P3Y = 2026-02-01" in due(bench)["says"]
    assert "the date follows the position" in due(bench)["says"]


def test_one_that_comes_late_or_is_withdrawn_is_told_or_no_longer(bench):
    bench.post(rebuild())
    bench.post(rebuild(SECOND, day="2026-10-05"))
    (late,) = bench.post(exchanged()).accepted  # between the two, recorded after both
    assert "exchanged" not in due(bench)["says"]
    past = [one for one in bench.due("2026-10-01", in_force=False) if one["asset"] == "AIR1-LB"]
    assert "S-301 in" in past[0]["says"]
    bench.post(corrected(late.id, withdrawn=True))
    past = [one for one in bench.due("2026-10-01", in_force=False) if one["asset"] == "AIR1-LB"]
    assert "exchanged" not in past[0]["says"]


def test_a_replay_tells_the_same_and_so_does_another_time_zone(store):
    bench = opened(store, time_zone="UTC")
    bench.post(rebuild())
    bench.post(entry("asset.amended", "07:00", {"patch": {"location": "Roof"}}, asset="AIR1", day="2026-04-01"))
    bench.post(exchanged(clock="21:00"))  # 2026-09-02 00:00 UTC
    assert "exchanged 2026-09-02" in due(bench)["says"]
    bench.post(entry("facility.amended", "07:00", {"time_zone": "America/Halifax", "from_day": "2026-01-01"}))
    assert "exchanged 2026-09-01" in due(bench)["says"]
    live = bench.contents()
    assert bench.replayed() == live


# The history follows the serial


def test_the_stem_of_the_new_device_is_held_against_nothing_that_the_old_one_left(bench):
    bench.post(rebuild())
    bench.post(exchanged())
    bench.post(rebuild(SECOND, day="2026-09-02"))
    assert continuity(bench, SECOND)["verdict"] == "not_applicable"
    assert bench.rebuild(SECOND).serial == "S-301"


def test_the_old_device_is_held_against_how_it_was_left_wherever_it_goes(bench):
    bench.post(rebuild())  # left with 8.5 + 0.25 turns engaged
    bench.post(exchanged())
    bench.post(entry("asset.registered", "07:00", {**REGULATOR, "commissioned_on": DAY}, asset="AIR1-RB"))
    bench.post(rebuild(SECOND, asset="AIR1-RB", day="2026-09-05"))
    told = continuity(bench, SECOND)
    assert "left with 8.5 + 0.25 = 8.75 turns engaged on 2026-07-14" in told["says"]
    assert told["verdict"] == "conforming"  # 8.5 now: a quarter of a turn, the tolerance


def test_an_exchange_that_comes_late_changes_what_the_later_rebuild_looks_back_on(bench):
    bench.post(rebuild())
    bench.post(rebuild(SECOND, day="2026-09-02"))
    assert "left with 8.5 + 0.25 = 8.75 turns" in continuity(bench, SECOND)["says"]
    (late,) = bench.post(exchanged()).accepted
    assert continuity(bench, SECOND)["verdict"] == "not_applicable"
    bench.post(corrected(late.id, data={"serial_out": "S-204", "serial_in": "S-204"}))
    assert "left with 8.5 + 0.25 = 8.75 turns" in continuity(bench, SECOND)["says"]
    live = bench.contents()
    assert bench.replayed() == live


@pytest.mark.parametrize("order", [(0, 1, 2), (2, 1, 0), (1, 2, 0)])
def test_in_whatever_order_they_arrive_the_views_are_the_same(bench, order):
    bodies = [rebuild(), [exchanged()], rebuild(SECOND, day="2026-09-02")]
    for place in order:
        bench.post(bodies[place])
    assert continuity(bench, SECOND)["verdict"] == "not_applicable"
    assert (due(bench)["anchor"], bench.rebuild(REBUILD).serial) == ("2026-09-02", "S-204")


def test_what_was_done_to_the_setting_of_the_old_device_is_none_of_the_new_ones(bench):
    adjusted = {"turns": {"value": "1", "unit": "turn"}}
    bench.post(rebuild())
    bench.post(entry("setting.adjusted", "09:00", adjusted, asset="AIR1-LB", day="2026-08-01"))
    bench.post(exchanged())
    bench.post(rebuild(SECOND, day="2026-09-02"))
    bench.post(exchanged("2026-10-01", serial_out="S-301", came="S-204"))
    bench.post(rebuild(THIRD, day="2026-10-02"))
    told = continuity(bench, THIRD)
    assert "= 8.75 turns engaged on 2026-07-14, adjusted since: 8.75 + 1 = 9.75" in told["says"]
    assert find(rebuild(), "turns.counted")["data"]["turns"]["value"] == "8.5"
    assert told["verdict"] == "nonconforming"
