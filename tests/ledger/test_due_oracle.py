"""The due list against a second reckoning of it: dateutil for calendars, a walk from day to day for meters."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from fractions import Fraction
from itertools import count, pairwise
from zoneinfo import ZoneInfo

from dateutil.relativedelta import relativedelta
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.ledger.bench import Bench
from tests.ledger.scenario import FACILITY, entry

EVERY = {
    None: None,
    "P1M": relativedelta(months=1),
    "P6M": relativedelta(months=6),
    "P4Y": relativedelta(years=4),
    "P90D": relativedelta(days=90),
    "P1Y1M10D": relativedelta(years=1, months=1, days=10),
}
WINDOW = {None: None, "P1M": relativedelta(months=1), "P2W": relativedelta(weeks=2), "P0D": relativedelta()}
SATISFIES = {"SV-1": [], "SV-2": ["SV-1"], "SV-3": []}
CODES = (f"d{number}" for number in count())
INSTANTS = st.datetimes(datetime(2023, 1, 1), datetime(2026, 7, 19), timezones=st.just(UTC)).map(  # noqa: DTZ001 - hypothesis adds the zone
    lambda at: at.replace(microsecond=0)
)


@st.composite
def histories(draw):
    """A time zone, a plan, the day of commissioning, rebuilds (when, procedure, outcome), readings (when, count)."""
    usage = draw(st.sampled_from([None, "50", "12.5"]))
    every = draw(st.sampled_from([name for name in EVERY if name or usage]))
    plan = {"procedure": "SV-1", "every": every, "window": draw(st.sampled_from(list(WINDOW)))}
    plan |= {"meter": "hours", "usage": usage} if usage else {}
    outcomes = st.sampled_from(["returned_to_service", "returned_to_service", "aborted"])
    return (
        draw(st.sampled_from(["America/St_Johns", "Pacific/Kiritimati", "Australia/Lord_Howe"])),
        {name: said for name, said in plan.items() if said},
        draw(st.none() | st.dates(date(2023, 1, 31), date(2026, 7, 1))),
        draw(st.lists(st.tuples(INSTANTS, st.sampled_from(list(SATISFIES)), outcomes), max_size=5, unique_by=lambda j: j[0])),
        draw(st.lists(st.tuples(INSTANTS, st.integers(0, 400)), max_size=5, unique_by=lambda read: read[0])),
    )  # fmt: skip


def lived(store, zone, plan, commissioned, jobs, reads):
    bench = Bench(store, {**FACILITY, "code": next(CODES), "time_zone": zone})
    for code, satisfies in SATISFIES.items():
        bench.post(
            entry("procedure.published", "07:00", {"code": code, "revision": 1, "title": "T", "satisfies": satisfies})
        )
    asset = {"kind": "bank_regulator", "gas": "oxygen", "service": [plan]}
    asset |= {"commissioned_on": commissioned.isoformat()} if commissioned else {}
    bench.post(entry("asset.registered", "07:00", asset, asset="B", day="2023-01-01"))
    for place, (at, code, outcome) in enumerate(jobs):
        here = {"asset": "B", "rebuild": f"01981000-0000-7000-8000-{place:012x}", "occurred_at": at.isoformat()}
        opening = {"procedure": code, "revision": 1, "reason": "scheduled"}
        bench.post(
            [
                {"type": "rebuild.opened", **here, "data": opening},
                {"type": "rebuild.closed", **here, "data": {"outcome": outcome}},
            ]
        )
    readings = [
        {"type": "meter.read", "occurred_at": at.isoformat(), "asset": "B", "data": {"meter": "hours", "reading": n}}
        for at, n in reads
    ]
    if readings:
        bench.post(readings)
    return bench


def reckoned(zone, plan, commissioned, jobs, reads):
    """Due day and first day of the window as they hold today, by another way; None without either."""
    z = ZoneInfo(zone)
    closings = [
        at.astimezone(z).date()
        for at, code, outcome in jobs
        if outcome == "returned_to_service" and "SV-1" in {code, *SATISFIES[code]}
    ]
    anchor = max(closings, default=commissioned)
    if anchor is None:
        return None
    if commissioned and not any(day <= commissioned for day in closings):
        anchor = max(anchor, commissioned)
    by_day = {at.astimezone(z).date(): Fraction(n) for at, n in sorted(reads)}
    ways = [anchor + EVERY[plan["every"]]] if "every" in plan else []
    if "usage" in plan and (used_up := walked(anchor, Fraction(plan["usage"]), sorted(by_day.items()))):
        ways.append(used_up)
    if not ways:
        return None
    return min(ways), min(ways) - (WINDOW[plan.get("window")] or relativedelta())


def walked(anchor, usage, readings):
    """The day the count has run the usage, from day to day along straight lines, then on at last year's rate."""
    before = [reading for reading in readings if reading[0] <= anchor]
    line = [reading for reading in readings if reading[0] > anchor]
    if before:
        line = [(anchor, along(before[-1], line[0], anchor) if line else before[-1][1]), *line]
    if not line:
        return None
    target = line[0][1] + usage
    for low, high in pairwise(line):
        for days in range((high[0] - low[0]).days + 1):
            if along(low, high, low[0] + timedelta(days)) >= target:
                return low[0] + timedelta(days)
    year = [reading for reading in readings if (readings[-1][0] - reading[0]).days <= 365]
    if (rate := along(year[0], year[-1], year[0][0] + timedelta(1)) - year[0][1] if len(year) > 1 else 0) <= 0:
        return None
    return line[-1][0] + timedelta(-((line[-1][1] - target) // rate))


def along(low, high, day):
    return low[1] + (high[1] - low[1]) * Fraction((day - low[0]).days, (high[0] - low[0]).days)


@settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)
@given(histories())
def test_what_is_due_today_comes_to_the_same_by_another_reckoning(quick_bench, history):
    bench, want = lived(quick_bench.store, *history), reckoned(*history)
    (shown,) = bench.due("2026-07-20")
    assert (shown["due_on"], shown["window_on"]) == (tuple(day.isoformat() for day in want) if want else (None, None))
    for state in ("overdue", "due", "not_due", "no_baseline"):
        assert bench.due("2026-07-20", state=state) == ([shown] if shown["state"] == state else [])
