"""A meter is replaced: the count goes on, and with it the day on which the usage falls due.

Running count = Σ (last on each old meter − first on the one after it) + the reading. Common practice, no published
source. The regulator is rebuilt on 2026-06-01 with 500 changeovers on its manifold; 2 a day reach 400 more, 900, on
the 200th day after it: 2026-12-18.
"""

from __future__ import annotations

import itertools

import pytest

from tests.ledger.scenario import corrected, entry, rebuild

DUE = "2026-12-18"
TODAY = "2026-07-20"


def read(day, count, clock="09:00", meter="changeovers", **replaced):
    data = {"meter": meter, "reading": count, **({"replaced": replaced} if replaced else {})}
    return entry("meter.read", clock, data, asset="AIR1", day=day)


OLD = [read("2026-06-01", "500"), read("2026-06-21", "540")]
REPLACED = read("2026-06-21", "0", "10:00", final_reading="540")
NEW = read("2026-07-11", "40")


@pytest.fixture
def running(bench):
    """A rebuild that conforms, and the readings of the old meter."""
    bench.post(rebuild(day="2026-06-01"))
    bench.post(OLD)
    return bench


def item(bench, as_of=TODAY, **more):
    (found,) = [one for one in bench.due(as_of, **more) if one["asset"] == "AIR1-LB"]
    return found


def due(bench):
    return item(bench)["due_on"], item(bench)["why"]


def same_after_replay(bench):
    live = bench.contents()
    assert bench.replayed() == live


def test_the_count_goes_on_as_if_the_meter_had_never_been_replaced(running):
    running.post([REPLACED, NEW])
    assert due(running) == (DUE, "usage")
    assert "580 on 2026-07-11" in item(running)["says"]
    same_after_replay(running)


def test_the_old_meter_may_have_gone_on_after_it_was_read_last(running):
    """It came out at 560, read as it came out; the new one was first read two days later, at 4."""
    running.post([read("2026-07-03", "4", final_reading="560"), read("2026-07-11", "20")])
    assert due(running) == (DUE, "usage")  # 564 on 07-03, 580 on 07-11


def test_one_that_did_not_begin_at_zero_says_where_it_began(running):
    running.post(
        [read("2026-06-21", "1200", "10:00", final_reading="540", initial_reading="1200"), read("2026-07-11", "1240")]
    )
    assert due(running) == (DUE, "usage")


def test_replaced_twice_both_are_carried(running):
    running.post([REPLACED, read("2026-07-01", "0", final_reading="20"), read("2026-07-11", "20")])
    assert due(running) == (DUE, "usage")


def test_until_the_replacing_is_recorded_the_count_seems_to_fall_and_the_calendar_alone_decides(running):
    running.post(NEW)
    assert due(running) == ("2029-06-01", "calendar")
    assert "the count does not rise" in item(running)["says"]
    running.post(REPLACED)  # the slip of paper arrives last
    assert due(running) == (DUE, "usage")
    same_after_replay(running)


def test_a_last_reading_mistyped_is_mended_by_a_correction(running):
    (wrong, _) = running.post([read("2026-06-21", "0", "10:00", final_reading="5400"), NEW]).accepted
    assert item(running)["state"] == "overdue", "5400 are more than 400 after 500"
    running.post(corrected(wrong.id, data=REPLACED["data"]))
    assert due(running) == (DUE, "usage")
    same_after_replay(running)


def test_a_replacing_that_never_was_is_withdrawn(running):
    (wrong, *_) = running.post([read("2026-06-25", "548", final_reading="548"), read("2026-07-11", "580")]).accepted
    assert item(running)["state"] == "overdue", "counted twice: 548 and 580 are 1128"
    running.post(corrected(wrong.id, withdrawn=True))
    assert due(running) == (DUE, "usage")
    same_after_replay(running)


def test_a_replacing_forgotten_is_corrected_into_the_first_reading_of_the_new_meter(running):
    (first, _) = running.post([read("2026-06-21", "0", "10:00"), NEW]).accepted
    assert due(running) == ("2029-06-01", "calendar")
    running.post(corrected(first.id, data=REPLACED["data"]))
    assert due(running) == (DUE, "usage")


def test_the_replacing_of_the_other_meter_is_corrected_to_that_one(running):
    running.post([read("2026-06-01", "4000", meter="hours"), read("2026-07-11", "580")])
    (wrong,) = running.post(read("2026-06-25", "0", final_reading="4100")).accepted
    assert item(running)["state"] == "overdue"
    running.post(corrected(wrong.id, data={"meter": "hours", "reading": "0", "replaced": {"final_reading": "4100"}}))
    assert due(running) == (DUE, "usage")
    same_after_replay(running)


def test_a_replacing_on_another_day_than_it_was_written_down_is_corrected_in_time(running):
    """Dated after the next reading, the new meter seems to have counted before it was there."""
    (late, _) = running.post([read("2026-07-12", "0", final_reading="540"), NEW]).accepted
    assert due(running) != (DUE, "usage")
    running.post(corrected(late.id, occurred_at="2026-06-21T10:00:00-03:00"))
    assert due(running) == (DUE, "usage")


def test_a_rebuild_between_two_meters_counts_from_what_both_make(running):
    """Rebuilt again on 2026-07-01, twenty after the 540: 400 more on the 200th day after that."""
    running.post([REPLACED, NEW])
    running.post(rebuild("01981000-0000-7000-8000-0000000000bb", day="2026-07-01"))
    assert due(running) == ("2027-01-17", "usage")
    assert "400 changeovers after 560 on 2026-07-01" in item(running)["says"]
    past = item(running, "2026-06-25", in_force=False)
    assert (past["anchor"], past["why"]) == ("2026-06-01", "usage")


@pytest.mark.parametrize("order", list(itertools.permutations(range(4))), ids=str)
def test_whatever_order_the_readings_arrive_in_the_day_is_the_same(quick_bench, order):
    quick_bench.post(rebuild(day="2026-06-01"))
    readings = [*OLD, REPLACED, NEW]
    for place in order:
        quick_bench.post(readings[place])
    assert due(quick_bench) == (DUE, "usage")
