"""When a service falls due. The scenario is invented: the left bank of an oxygen manifold, serviced by OX-12."""

import time
from calendar import monthrange
from datetime import UTC, date, datetime, timedelta, timezone
from decimal import Decimal
from itertools import pairwise

import pytest
from dateutil.relativedelta import relativedelta
from dateutil.rrule import MONTHLY, YEARLY, rrule
from hypothesis import given, settings
from hypothesis import strategies as st

from service.entries.asset import ServicePlan
from service.ledger.due import NO_BASELINE, Anchor, Due, days, due_on, periods, state
from service.ledger.meter import Reading, cumulative


def plan(**members):
    return ServicePlan.model_validate({"procedure": "OX-12", **members})


def read(*rows):
    return tuple(Reading(date.fromisoformat(day), Decimal(count)) for day, count in rows)


def day(text):
    return date.fromisoformat(text)


def calendar_due(anchor, every):
    return due_on(plan(every=every), anchor, ()).due_on


FOUR_YEARS = plan(every="P4Y", window="P60D")
BY_USAGE = plan(meter="changeovers", usage="500")
EITHER = plan(every="P4Y", window="P60D", meter="changeovers", usage="500")
REBUILT = day("2026-05-04")


# The calendar

# Our floor of check values: java.time (LocalDate.plus(Period), Java 17, run) and dateutil agree on every row.
AGREED = [
    ("2024-02-29", "P5Y", "2029-02-28"),
    ("2024-02-29", "P4Y", "2028-02-29"),
    ("2024-02-29", "P60M", "2029-02-28"),
    ("2024-02-29", "P1825D", "2029-02-27"),
    ("2024-02-29", "P1Y6M", "2025-08-29"),
    ("2024-01-31", "P1M", "2024-02-29"),
    ("2023-01-31", "P1M", "2023-02-28"),
    # the month is clamped before the days are added (java.time, run)
    ("2024-01-31", "P1M1D", "2024-03-01"),
    ("2023-10-31", "P1Y4M30D", "2025-03-30"),
    # a week is seven days (ISO 8601)
    ("2026-05-04", "P2W", "2026-05-18"),
]


@pytest.mark.parametrize(("anchor", "every", "expected"), AGREED)
def test_the_interval_is_added_to_the_anchor_and_clamped_to_the_months_last_day(anchor, every, expected):
    assert due_on(plan(every=every), day(anchor), ()) == Due(
        day(expected), day(expected), "calendar", f"{anchor} + {every} = {expected}"
    )


@pytest.mark.parametrize(
    ("anchor", "every", "rule"),
    [
        ("2024-02-29", "P5Y", {"freq": YEARLY, "interval": 5}),
        ("2024-01-31", "P1M", {"freq": MONTHLY}),
    ],
)
def test_a_recurrence_rule_skips_the_days_that_are_missing_and_would_come_late(anchor, every, rule):
    # RFC 5545 section 3.3.10: invalid dates are ignored, not clamped (dateutil.rrule)
    recurring = rrule(dtstart=datetime.fromisoformat(anchor), count=2, **rule)[1].date()
    assert calendar_due(day(anchor), every) < recurring


def test_four_times_a_year_is_not_four_years_so_due_dates_are_never_chained():
    leap_day = chained = day("2024-02-29")
    for _ in range(4):
        chained = calendar_due(chained, "P1Y")
    assert chained == day("2028-02-28")
    assert calendar_due(leap_day, "P4Y") == day("2028-02-29")


def pencil(anchor, months, extra_days):
    """Months by division, the month's last day from the standard library's calendar, then days."""
    year, month = divmod(anchor.year * 12 + anchor.month - 1 + months, 12)
    last = monthrange(year, month + 1)[1]
    return date(year, month + 1, min(anchor.day, last)) + timedelta(extra_days)


ANCHORS = st.dates(day("1900-01-01"), day("2200-12-31"))


@settings(deadline=None)
@given(ANCHORS, st.integers(0, 99), st.integers(0, 99), st.integers(0, 99), st.integers(0, 9999))
def test_any_interval_gives_the_day_that_dateutil_and_the_pencil_give(anchor, years, months, weeks, extra):
    given_day = calendar_due(anchor, f"P{years}Y{months}M{weeks}W{extra}D")
    assert given_day == anchor + relativedelta(years=years, months=months, weeks=weeks, days=extra)
    assert given_day == pencil(anchor, 12 * years + months, 7 * weeks + extra)


@settings(deadline=None)
@given(ANCHORS, ANCHORS, st.integers(0, 200), st.integers(0, 400))
def test_a_later_anchor_never_makes_the_calendar_date_earlier(one, other, months, extra):
    every = f"P{months}M{extra}D"
    assert calendar_due(min(one, other), every) <= calendar_due(max(one, other), every)


def test_an_interval_past_the_calendars_end_never_falls_due():
    due = due_on(plan(every="P999Y9999M", window="P1M"), day("9200-01-01"), ())
    assert (due.due_on, due.why) == (date.max, "calendar")
    assert due.says == "9200-01-01 + P999Y9999M is past 9999-12-31"


# The window


@pytest.mark.parametrize(
    ("window", "opens"),
    [
        ("P60D", "2030-03-05"),  # 4 days of May, 30 of April, 26 of March: 31 − 26 = 5
        ("P2M", "2030-03-04"),
        ("P1M1W", "2030-03-28"),  # 2030-04-04 less seven days
        (None, "2030-05-04"),
    ],
)
def test_the_window_opens_so_long_before_the_due_date(window, opens):
    assert due_on(plan(every="P4Y", window=window), REBUILT, ()).window_on == day(opens)


def test_a_window_in_months_is_clamped_as_the_interval_is():
    # java.time LocalDate.minus(Period), run: 2028-05-31 − P3M = 2028-02-29
    assert due_on(plan(every="P4Y", window="P3M"), day("2024-05-31"), ()).window_on == day("2028-02-29")


def test_a_window_longer_than_history_is_open_since_the_first_day_there_is():
    assert due_on(plan(every="P1D", window="P999Y9999M"), day("1800-01-01"), ()).window_on == date.min


@pytest.mark.parametrize(
    ("as_of", "expected", "left"),
    [
        ("2030-03-04", "not_due", 61),
        ("2030-03-05", "due", 60),
        ("2030-05-03", "due", 1),
        ("2030-05-04", "due", 0),
        ("2030-05-05", "overdue", -1),
    ],
)
def test_both_ends_of_the_window_are_due_and_the_day_after_is_overdue(as_of, expected, left):
    due = due_on(FOUR_YEARS, REBUILT, ())
    assert state(due.due_on, due.window_on, day(as_of), baseline=due.baseline) == expected
    assert days(due.due_on, day(as_of)) == left


def test_without_a_window_it_is_due_on_the_very_day_alone():
    due = due_on(plan(every="P1Y"), REBUILT, ())
    states = [state(due.due_on, due.window_on, day(f"2027-05-0{n}"), baseline=True) for n in (3, 4, 5)]
    assert states == ["not_due", "due", "overdue"]
    assert state(due.due_on, None, day("2027-05-04"), baseline=True) == "due"


def test_without_a_rebuild_or_a_commissioning_there_is_no_baseline_and_no_days_to_count():
    assert state(NO_BASELINE.due_on, NO_BASELINE.window_on, REBUILT, baseline=NO_BASELINE.baseline) == "no_baseline"
    assert days(None, REBUILT) is None


@settings(deadline=None)
@given(ANCHORS, st.integers(0, 2000), ANCHORS, ANCHORS)
def test_as_days_go_by_a_service_only_ever_becomes_more_due(due, window, one, other):
    stages = ("not_due", "due", "overdue")
    opens = due - timedelta(window)
    sooner, later = (state(due, opens, as_of, baseline=True) for as_of in sorted((one, other)))
    assert stages.index(sooner) <= stages.index(later)


# The meter


def test_usage_is_projected_from_the_latest_reading_at_the_rate_measured():
    # 812 → 1012 in the hundred days to 2026-08-12: 2 a day. 500 − 200 = 300 more: 150 days, to 2027-01-09
    due = due_on(BY_USAGE, REBUILT, read(("2026-05-04", "812"), ("2026-08-12", "1012")))
    assert (due.due_on, due.why) == (day("2027-01-09"), "usage")
    assert due.says == (
        "500 changeovers after 812 on 2026-05-04, at 2.00 a day (812 on 2026-05-04, 1012 on 2026-08-12): "
        "1312 on 2027-01-09"
    )


def test_a_projection_is_rounded_up_to_the_day_on_which_the_usage_is_reached():
    # 3 in 2 days: 500 − 3 = 497 more take 331.33 days, so the 332nd after 2026-05-06: 2027-04-03
    due = due_on(BY_USAGE, REBUILT, read(("2026-05-04", "0"), ("2026-05-06", "3")))
    assert due.due_on == day("2026-05-06") + timedelta(332) == day("2027-04-03")


def test_a_rate_without_an_end_does_not_push_a_whole_number_of_days_over():
    # 100 in 300 days is 0.333…; 50 more take 150 days and not 151
    readings = read(("2026-01-01", "0"), ("2026-10-28", "100"))
    due = due_on(plan(meter="hours", usage="150"), day("2026-01-01"), readings)
    assert (day("2026-10-28") - day("2026-01-01")).days == 300
    assert due.due_on == day("2026-10-28") + timedelta(150)
    assert "at 0.333 a day" in due.says


def test_usage_reached_between_two_readings_is_interpolated_and_rounded_up():
    # target 812 + 500 = 1312; from 1300 on 10-01 to 1340 on 10-31, 40 in 30 days: 12/(40/30) = 9 days, 10-10
    readings = read(("2026-05-04", "812"), ("2026-10-01", "1300"), ("2026-10-31", "1340"), ("2026-12-01", "1400"))
    due = due_on(BY_USAGE, REBUILT, readings)
    assert due.due_on == day("2026-10-10")
    assert due.says == (
        "500 changeovers after 812 on 2026-05-04, between 1300 on 2026-10-01 and 1340 on 2026-10-31: 1312 on 2026-10-10"
    )
    # one more: 13/(40/30) = 9.75 days, so the tenth
    assert due_on(plan(meter="changeovers", usage="501"), REBUILT, readings).due_on == day("2026-10-11")


@pytest.mark.parametrize(("usage", "expected"), [("488", "2026-10-01"), ("528", "2026-10-31"), ("588", "2026-12-01")])
def test_usage_reached_exactly_by_a_reading_is_reached_on_its_day(usage, expected):
    readings = read(("2026-05-04", "812"), ("2026-10-01", "1300"), ("2026-10-31", "1340"), ("2026-12-01", "1400"))
    assert due_on(plan(meter="changeovers", usage=usage), REBUILT, readings).due_on == day(expected)


def test_a_count_that_stood_still_at_the_limit_reached_it_when_it_first_did():
    readings = read(("2026-05-04", "0"), ("2026-06-03", "500"), ("2026-07-03", "500"))
    assert due_on(BY_USAGE, REBUILT, readings).due_on == day("2026-06-03")


def test_the_count_at_the_anchor_lies_on_the_line_between_the_readings_around_it():
    # 800 on 04-24, 1000 on 06-03: 5 a day, so 850 on 05-04. Target 1350: 350 more at 5 a day after 06-03, 70 days
    due = due_on(BY_USAGE, REBUILT, read(("2026-04-24", "800"), ("2026-06-03", "1000")))
    assert due.due_on == day("2026-08-12")
    assert due.says.startswith("500 changeovers after 850 on 2026-05-04, at 5.00 a day")


def test_usage_reached_before_the_first_reading_after_the_anchor_lies_on_the_same_line():
    # 50 a day from 04-24: 500 more after 05-04 is ten days later
    due = due_on(BY_USAGE, REBUILT, read(("2026-04-24", "0"), ("2026-06-03", "2000")))
    assert due.due_on == day("2026-05-14")
    assert "between 500 on 2026-05-04 and 2000 on 2026-06-03" in due.says


def test_with_no_reading_since_the_rebuild_the_full_usage_is_projected_from_the_rebuild():
    # 4 a day before it: 500/4 = 125 days after 2026-05-04, however old the last reading is
    readings = read(("2026-01-01", "0"), ("2026-01-26", "100"))
    due = due_on(BY_USAGE, REBUILT, readings)
    assert due.due_on == REBUILT + timedelta(125)
    assert due.says == (
        "500 changeovers after 100 on 2026-05-04, at 4.00 a day (0 on 2026-01-01, 100 on 2026-01-26): 600 on 2026-09-06"
    )


def test_with_no_reading_before_the_rebuild_usage_counts_from_the_first_one_after_it():
    # 40 on 05-14, 140 on 06-03: 5 a day; 40 + 500 − 140 = 400 more, 80 days
    due = due_on(BY_USAGE, REBUILT, read(("2026-05-14", "40"), ("2026-06-03", "140")))
    assert due.due_on == day("2026-06-03") + timedelta(80)
    assert due.says.startswith("500 changeovers after 40 on 2026-05-14 (first reading since 2026-05-04), at 5.00 a day")


def test_the_rate_is_that_of_the_year_up_to_the_latest_reading():
    # 2025-08-12 is 365 days before 2026-08-12 and counts, the day before does not: 365 in 365 days, not thousands
    readings = read(("2025-08-11", "-9000"), ("2025-08-12", "0"), ("2026-08-12", "365"))
    due = due_on(BY_USAGE, day("2026-08-12"), readings)
    assert due.due_on == day("2026-08-12") + timedelta(500)
    assert "at 1.00 a day (0 on 2025-08-12, 365 on 2026-08-12)" in due.says


def test_readings_from_before_the_rebuild_count_for_the_rate():
    # 100 a day before, none after it yet but one on the next day: (1010 − 0)/101 days = 10 a day
    readings = read(("2026-01-25", "0"), ("2026-05-04", "990"), ("2026-05-06", "1010"))
    assert due_on(BY_USAGE, REBUILT, readings).due_on == day("2026-05-06") + timedelta(48)


@pytest.mark.parametrize(
    ("readings", "why_not"),
    [
        ((), "500 changeovers after 2026-05-04: no reading yet"),
        (
            (("2026-05-04", "812"),),
            "500 changeovers after 812 on 2026-05-04: no rate yet, no second reading within 365 days",
        ),
        (
            (("2024-05-04", "0"), ("2026-05-04", "812")),
            "500 changeovers after 812 on 2026-05-04: no rate yet, no second reading within 365 days",
        ),
        (
            (("2026-05-04", "812"), ("2026-06-04", "812")),
            "500 changeovers after 812 on 2026-05-04: the count does not rise (812 on 2026-05-04, 812 on 2026-06-04)",
        ),
        (
            (("2026-05-04", "812"), ("2026-06-04", "81")),
            "500 changeovers after 812 on 2026-05-04: the count does not rise (812 on 2026-05-04, 81 on 2026-06-04)",
        ),
        (
            (("2026-05-04", "0"), ("2026-06-04", "0.000001")),
            (
                "500 changeovers after 0 on 2026-05-04, at 0.0000000323 a day "
                "(0 on 2026-05-04, 0.000001 on 2026-06-04): 500 past 9999-12-31"
            ),
        ),
    ],
)
def test_without_a_rate_usage_gives_no_date_and_the_calendar_holds_alone(readings, why_not):
    usage_alone = due_on(BY_USAGE, REBUILT, read(*readings))
    assert usage_alone == Due(None, None, None, why_not, baseline=True)
    assert state(usage_alone.due_on, usage_alone.window_on, date.max, baseline=usage_alone.baseline) == "not_due"
    both = due_on(EITHER, REBUILT, read(*readings))
    assert (both.due_on, both.window_on, both.why) == (day("2030-05-04"), day("2030-03-05"), "calendar")
    assert both.says == f"2026-05-04 + P4Y = 2030-05-04; {why_not}"


def test_so_slow_a_rate_that_the_days_cannot_be_counted_gives_no_date():
    readings = read(("2026-05-04", "0"), ("2026-06-04", "0.00000000000000001"))
    assert due_on(BY_USAGE, REBUILT, readings).due_on is None


def test_a_usage_of_nothing_is_used_up_at_once():
    assert due_on(plan(meter="changeovers", usage="0"), REBUILT, read(("2026-05-04", "812"))).due_on == REBUILT


def test_hours_with_decimals_are_shown_as_they_were_read_and_reckoned_ones_to_two_places():
    readings = read(("2026-05-03", "10.125"), ("2026-05-06", "12.25"))  # a third of 2.125 on: 10.8333…
    says = due_on(plan(meter="hours", usage="100"), REBUILT, readings).says
    assert says.startswith("100 hours after 10.83 on 2026-05-04, at 0.708 a day (10.125 on 2026-05-03, 12.25 on")


# The earlier of the two


def test_usage_before_the_calendar_holds_with_its_own_window_and_both_are_told():
    due = due_on(EITHER, REBUILT, read(("2026-05-04", "812"), ("2026-08-12", "1012")))
    assert (due.due_on, due.why) == (day("2027-01-09"), "usage")
    assert due.window_on == day("2026-11-10")  # nine days of January, 31 of December, 20 of November
    assert due.says.endswith(": 1312 on 2027-01-09; 2026-05-04 + P4Y = 2030-05-04")


def test_the_calendar_before_usage_holds_and_both_are_told():
    due = due_on(EITHER, REBUILT, read(("2026-05-04", "812"), ("2026-08-12", "822")))
    assert (due.due_on, due.why) == (day("2030-05-04"), "calendar")
    assert due.says.startswith("2026-05-04 + P4Y = 2030-05-04; 500 changeovers after 812 on 2026-05-04, at 0.100 a day")


def test_on_the_same_day_the_calendar_is_named():
    # one a day: 365 after 2026-05-04 is 2027-05-04
    readings = read(("2026-05-04", "0"), ("2026-05-14", "10"))
    due = due_on(plan(every="P1Y", meter="hours", usage="365"), REBUILT, readings)
    assert (due.due_on, due.why) == (day("2027-05-04"), "calendar")
    usage = due_on(plan(every="P1Y", meter="hours", usage="364"), REBUILT, readings)
    assert (usage.due_on, usage.why) == (day("2027-05-03"), "usage")


@settings(deadline=None)
@given(
    st.lists(st.tuples(st.integers(-900, 900), st.integers(0, 400)), max_size=6, unique_by=lambda row: row[0]),
    st.integers(0, 3000),
)
def test_whatever_the_readings_the_earlier_of_the_two_ways_holds(rows, usage):
    steps, count, readings = sorted(rows), 0, []
    for offset, more in steps:
        count += more
        readings.append(Reading(REBUILT + timedelta(offset), Decimal(count)))
    members = {"meter": "hours", "usage": str(usage)}
    by_usage = due_on(plan(**members), REBUILT, readings)
    by_calendar = due_on(plan(every="P2Y"), REBUILT, readings)
    both = due_on(plan(every="P2Y", **members), REBUILT, readings)
    assert both.due_on == min(by_calendar.due_on, by_usage.due_on or date.max)
    assert by_usage.due_on is None or by_usage.due_on >= REBUILT


@settings(deadline=None)
@given(st.integers(1, 50), st.integers(1, 60), st.integers(1, 60), st.integers(1, 2000))
def test_a_steady_meter_gives_one_date_whether_read_or_projected(rate, before, after, usage):
    def at(offset):
        return Reading(REBUILT + timedelta(offset), Decimal(rate * (offset + before)))

    steady = plan(meter="hours", usage=str(usage))
    expected = REBUILT + timedelta(-(-usage // rate))
    assert due_on(steady, REBUILT, (at(-before), at(after))).due_on == expected
    assert due_on(steady, REBUILT, (at(-before), at(after), at(after + 3000))).due_on == expected


# The running count


def at(text, reading, final=None, zone=UTC):
    moment = datetime.fromisoformat(text).replace(tzinfo=UTC)
    return moment.astimezone(zone), moment.date(), Decimal(reading), None if final is None else Decimal(final)


def test_readings_in_any_order_of_arrival_run_by_time_and_the_last_of_a_day_holds():
    rows = [at("2026-05-04T16:00", "820"), at("2026-05-01T08:00", "790"), at("2026-05-04T08:00", "812")]
    assert cumulative(rows) == cumulative(rows[::-1]) == read(("2026-05-01", "790"), ("2026-05-04", "820"))


def test_after_a_meter_is_replaced_the_count_runs_on():
    rows = [
        at("2026-05-04T08:00", "1200"),
        at("2026-06-04T08:00", "0", final="1312"),
        at("2026-07-04T08:00", "40"),
        at("2026-08-04T08:00", "3", final="95"),  # the second meter ran 95, the third has counted 3
        at("2026-09-04T08:00", "10"),
    ]
    assert [reading.count for reading in cumulative(rows)] == [1200, 1312, 1352, 1312 + 95 + 3, 1312 + 95 + 10]


def test_a_meter_read_and_replaced_on_one_day_leaves_the_new_meters_count():
    rows = [at("2026-06-04T08:00", "1310"), at("2026-06-04T09:00", "0", final="1312"), at("2026-06-04T15:00", "2")]
    assert cumulative(rows) == read(("2026-06-04", "1314"))


def test_at_one_time_the_old_meter_is_read_before_it_is_replaced_whichever_arrived_first():
    rows = [at("2026-06-04T09:00", "0", final="1312"), at("2026-06-04T09:00", "1312")]
    assert cumulative(rows) == cumulative(rows[::-1]) == read(("2026-06-04", "1312"))


def test_a_replaced_meter_makes_no_difference_to_the_due_date():
    # as in the projection above: 2 a day, and the meter changed half way at 912
    rows = [at("2026-05-04T08:00", "812"), at("2026-06-23T08:00", "0", final="912"), at("2026-08-12T08:00", "100")]
    assert due_on(BY_USAGE, REBUILT, cumulative(rows)).due_on == day("2027-01-09")


def test_no_readings_are_no_count():
    assert cumulative(()) == ()


def test_the_offset_a_time_was_written_with_changes_neither_its_order_nor_its_day():
    times = ["2026-05-04T11:30", "2026-05-04T12:15", "2026-05-05T23:50"]
    in_utc = [at(text, str(count)) for count, text in enumerate(times)]
    zones = (timezone(timedelta(hours=14)), timezone(timedelta(hours=-12)), UTC)
    elsewhere = [at(text, str(count), zone=zone) for (count, text), zone in zip(enumerate(times), zones, strict=True)]
    assert cumulative(elsewhere) == cumulative(in_utc) == read(("2026-05-04", "1"), ("2026-05-05", "2"))


@pytest.mark.skipif(not hasattr(time, "tzset"), reason="the machine's zone cannot be changed here")
@pytest.mark.parametrize("zone", ["UTC", "Pacific/Kiritimati", "Etc/GMT+12"])
def test_the_zone_of_the_machine_makes_no_difference(zone, monkeypatch):
    with monkeypatch.context() as patch:
        patch.setenv("TZ", zone)
        time.tzset()
        rows = [at("2026-05-04T00:05", "812"), at("2026-08-12T23:55", "1012")]
        due = due_on(EITHER, REBUILT, cumulative(rows))
    time.tzset()
    assert (due.due_on, due.window_on) == (day("2027-01-09"), day("2026-11-10"))


# What holds for which day

COMMISSIONED = day("2022-03-14")
REGISTERED = day("2021-11-01")


def holding(known, as_of):
    (period,) = [period for period in known if period.from_day <= as_of < period.to_day]
    return period


def test_each_anchor_holds_from_its_own_day_to_the_day_before_the_next():
    known = periods(FOUR_YEARS, [Anchor(REBUILT, "r1"), Anchor(day("2029-06-01"), "r2")], COMMISSIONED, (), REGISTERED)
    told = {
        "2021-11-01": (None, None),
        "2022-03-13": (None, None),
        "2022-03-14": (None, "2026-03-14"),
        "2026-05-03": (None, "2026-03-14"),
        "2026-05-04": ("r1", "2030-05-04"),
        "2029-05-31": ("r1", "2030-05-04"),
        "2029-06-01": ("r2", "2033-06-01"),
        "2999-01-01": ("r2", "2033-06-01"),
    }
    for as_of, (rebuild, due) in told.items():
        period = holding(known, day(as_of))
        assert period.due.due_on == (day(due) if due else None), as_of
        assert (period.anchor.rebuild if period.anchor else None) == rebuild, as_of
    assert [period.due.baseline for period in known] == [False, True, True, True]


def test_a_bank_overdue_before_its_rebuild_stays_overdue_when_one_looks_back():
    known = periods(FOUR_YEARS, [Anchor(REBUILT, "r1")], COMMISSIONED, (), REGISTERED)
    states = []
    for as_of in ("2022-01-01", "2026-01-12", "2026-01-13", "2026-03-14", "2026-05-03", "2026-05-04"):
        due = holding(known, day(as_of)).due
        states.append(state(due.due_on, due.window_on, day(as_of), baseline=due.baseline))
    # 60 days before 2026-03-14: 14 of March, 28 of February, 18 of January: the 13th
    assert states == ["no_baseline", "not_due", "due", "due", "overdue", "not_due"]


def test_with_no_anchor_at_all_there_is_no_baseline_for_ever():
    (only,) = periods(FOUR_YEARS, [], None, (), REGISTERED)
    assert (only.from_day, only.to_day, only.due, only.anchor) == (REGISTERED, date.max, NO_BASELINE, None)


def test_commissioned_before_it_was_registered_there_is_a_baseline_from_the_first_day():
    known = periods(FOUR_YEARS, [], COMMISSIONED, (), day("2025-01-01"))
    assert [(period.from_day, period.anchor) for period in known] == [(COMMISSIONED, Anchor(COMMISSIONED, None))]


def test_a_rebuild_before_the_commissioning_holds_until_it():
    bench = Anchor(day("2022-01-10"), "bench")
    known = periods(FOUR_YEARS, [bench], COMMISSIONED, (), REGISTERED)
    assert [period.anchor for period in known] == [None, bench, Anchor(COMMISSIONED, None)]


def test_of_two_rebuilds_closed_on_one_day_the_last_given_holds_and_a_rebuild_before_the_commissioning():
    twice = [Anchor(COMMISSIONED, "r1"), Anchor(COMMISSIONED, "r2")]
    (only,) = periods(FOUR_YEARS, twice, COMMISSIONED, (), COMMISSIONED)
    assert only.anchor == Anchor(COMMISSIONED, "r2")


def test_a_period_that_ended_is_reckoned_from_what_was_read_up_to_its_end():
    readings = read(("2026-01-01", "0"), ("2026-01-11", "10"), ("2026-02-01", "5010"), ("2026-02-11", "10010"))
    anchors = [Anchor(day("2026-01-01"), "r1"), Anchor(day("2026-01-11"), "r2")]
    first, second = periods(BY_USAGE, anchors, None, readings, day("2026-01-01"))
    # 1 a day up to the end of the first, 500 days; the readings of the busy months after it are the second's
    assert first.due.due_on == day("2026-01-01") + timedelta(500)
    # 10 + 500 between 10 on 01-11 and 5010 on 02-01: 500/(5000/21) = 2.1 days, the third
    assert second.due.due_on == day("2026-01-14")


@settings(deadline=None)
@given(
    st.lists(st.tuples(ANCHORS, st.text("abc", min_size=1, max_size=2)), max_size=6),
    st.none() | ANCHORS | st.just(date.max),
    ANCHORS,
)
def test_periods_cover_every_day_once_without_gaps(rebuilds, commissioned, first_day):
    anchors = [Anchor(*row) for row in rebuilds]
    known = periods(FOUR_YEARS, anchors, commissioned, (), first_day)
    starts = [anchor.day for anchor in anchors] + ([commissioned] if commissioned else [])
    assert known[0].from_day == min([first_day, *starts])
    assert known[-1].to_day == date.max
    assert all(period.from_day < period.to_day for period in known)
    assert all(one.to_day == other.from_day for one, other in pairwise(known))
    assert all(period.anchor is None or period.anchor.day == period.from_day for period in known)
    assert all((period.anchor is None) == (not period.due.baseline) for period in known)
