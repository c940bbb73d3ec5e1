"""When a service falls due: the pure arithmetic of the due list.

Calendar: due = anchor + interval, months first (clamped to the month's last day), then days; always counted from the
anchor, never from an earlier due date. Usage: due is the day on which the meter has run the interval since the anchor,
interpolated between readings, else projected from the latest one. The earlier of the two holds.

Days are calendar days in the facility's time zone, settled by whoever calls; no clock and no zone is known here.
Counts are exact fractions, so that 100 in 300 days reaches 50 after 150 days and not after 151.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from fractions import Fraction
from functools import lru_cache
from itertools import pairwise
from typing import Literal, NamedTuple, TypeVar

from dateutil.relativedelta import relativedelta

from service.entries.asset import ServicePlan
from service.entries.words import Duration
from service.ledger.meter import Reading, exact

D = TypeVar("D", date, str)
Why = Literal["calendar", "usage"]
DueState = Literal["no_baseline", "not_due", "due", "overdue"]

RATE_DAYS = 365
"""The usage rate is measured over the readings of so many days up to the latest one."""


@dataclass(frozen=True, slots=True)
class Anchor:
    """The day a service is counted from; ``rebuild`` None is the commissioning."""

    day: date
    rebuild: str | None


class Due(NamedTuple):
    """When a service is due, from when it may be done, which of the two ways decided, and the arithmetic.

    ``due_on`` is None without ``baseline``, and with one when a plan by usage alone has no rate yet.
    """

    due_on: date | None
    window_on: date | None
    why: Why | None
    says: str
    baseline: bool = True


class Period(NamedTuple):
    """What holds on every day from ``from_day`` up to, but not including, ``to_day``."""

    from_day: date
    to_day: date
    due: Due
    anchor: Anchor | None


NO_BASELINE = Due(None, None, None, "no rebuild and no commissioning day to count from", baseline=False)


class _Way(NamedTuple):
    """One of the two ways a service falls due, and its arithmetic."""

    why: Why
    day: date | None
    says: str


class _Point(NamedTuple):
    """A count, read or reckoned, at a day."""

    day: date
    exact: int | Fraction


def due_on(plan: ServicePlan, anchor: date, readings: Sequence[Reading]) -> Due:
    """The earlier of the calendar's day and the usage's; on the same day the calendar is named.

    ``readings`` as ``cumulative`` gives them, by day.
    """
    ways = [way for way in (_by_calendar(plan.every, anchor), _by_usage(plan, anchor, readings)) if way is not None]
    ways.sort(key=lambda way: way.day or date.max)  # stable: the calendar stays first on the same day
    first, says = ways[0], "; ".join(way.says for way in ways)
    if first.day is None:
        return Due(None, None, None, says)
    return Due(first.day, _before(first.day, plan.window), first.why, says)


def periods(
    plan: ServicePlan,
    anchors: Iterable[Anchor],
    commissioned: date | None,
    readings: Sequence[Reading],
    first_day: date,
) -> tuple[Period, ...]:
    """One period for each anchor, up to the next one, so that any ``as_of`` day finds its own.

    The commissioning is an anchor too; of anchors on one day the last given holds, and a rebuild before the
    commissioning. Days from ``first_day`` to the first anchor have no baseline. A period that has ended is reckoned
    from the readings up to its end.
    """
    commissioning = [Anchor(commissioned, None)] if commissioned is not None else []
    by_day = {anchor.day: anchor for anchor in (*commissioning, *anchors)}
    days = sorted({*by_day, date.max})
    before = (Period(first_day, days[0], NO_BASELINE, None),) if first_day < days[0] else ()
    return before + tuple(
        Period(start, end, due_on(plan, start, readings[: bisect_right(readings, end, key=_day)]), by_day[start])
        for start, end in pairwise(days)
    )


def state(due_on: D | None, window_on: D | None, as_of: D, *, baseline: bool) -> DueState:
    """Due from ``window_on`` to ``due_on``, both included; overdue after it. Days as dates, or all as ISO text.

    Without a baseline nothing can be said; with one but no date (usage alone, no rate yet) nothing is due.
    """
    if not baseline:
        return "no_baseline"
    if due_on is None:
        return "not_due"
    if as_of > due_on:
        return "overdue"
    return "due" if as_of >= (window_on or due_on) else "not_due"


def days(due_on: date | None, as_of: date) -> int | None:
    """Days left; negative when overdue."""
    return None if due_on is None else (due_on - as_of).days


@lru_cache(4096)
def _by_calendar(every: Duration | None, anchor: date) -> _Way | None:
    """Due = anchor + interval. Past year 9999 the last day there is stands in: it never falls due."""
    if every is None:
        return None
    try:
        day = anchor + _span(every)
    except (ValueError, OverflowError):
        return _Way("calendar", date.max, f"{anchor} + {every} is past {date.max}")
    return _Way("calendar", day, f"{anchor} + {every} = {day}")


def _by_usage(plan: ServicePlan, anchor: date, readings: Sequence[Reading]) -> _Way | None:
    """Due = the day the count reaches count(anchor) + interval: as read, else as projected."""
    if plan.usage is None:
        return None
    points = _since(anchor, readings)
    if not points:
        return _Way("usage", None, f"{plan.usage} {plan.meter} after {anchor}: no reading yet")
    start = points[0]
    asked = f"{plan.usage} {plan.meter} after {_number(start.exact)} on {start.day}"
    if start.day > anchor:
        asked += f" (first reading since {anchor})"
    target = start.exact + _exact(plan.usage)
    below = readings[-1].peak is not None and readings[-1].peak < target and start.exact < target
    return (None if below else _reached(asked, target, points)) or _projected(asked, target, points[-1], readings)


def _since(anchor: date, readings: Sequence[Reading]) -> Sequence[_Point | Reading]:
    """The count at the anchor, then the readings after it.

    At the anchor: on the line between the readings around it; after the last reading, that reading; before the first
    one it is not known, and usage counts from that first reading.
    """
    split = bisect_right(readings, anchor, key=_day)
    after = readings[split:]
    if split == 0:
        return after
    last = readings[split - 1]
    ran = (anchor - last.day).days if after else 0
    run = _rate(last, after[0]) * ran if ran else 0
    return [_Point(anchor, last.exact + run), *after]


def _reached(asked: str, target: int | Fraction, points: Sequence[_Point | Reading]) -> _Way | None:
    """The first day on which the count is at or past the target, on the line between two points."""
    if points[0].exact >= target:
        return _Way("usage", points[0].day, f"{asked}: {points[0].day}")
    for low, high in pairwise(points):
        if high.exact >= target:
            day = low.day + timedelta(_days_to(target - low.exact, low, high))
            between = f"between {_number(low.exact)} on {low.day} and {_number(high.exact)} on {high.day}"
            return _Way("usage", day, f"{asked}, {between}: {_number(target)} on {day}")
    return None


def _projected(asked: str, target: int | Fraction, last: _Point | Reading, readings: Sequence[Reading]) -> _Way:
    """Due = last day + ⌈(target − last count) / rate⌉, where ``last`` is the latest reading, or the anchor after it.

    rate = slope from the first reading within ``RATE_DAYS`` up to the latest one, to the latest one; readings from
    before the anchor are as good as any for it.
    """
    latest = readings[-1]
    earliest = latest.day.toordinal() - RATE_DAYS
    first = readings[bisect_left(readings, earliest, key=lambda reading: reading.day.toordinal())]
    if first.day == latest.day:
        return _Way("usage", None, f"{asked}: no rate yet, no second reading within {RATE_DAYS} days")
    if latest.exact <= first.exact:
        return _Way("usage", None, f"{asked}: the count does not rise {_measured(first, latest)}")
    asked = f"{asked}, at {_pace(first, latest)}: {_number(target)}"
    try:
        day = last.day + timedelta(_days_to(target - last.exact, first, latest))
    except OverflowError:
        return _Way("usage", None, f"{asked} past {date.max}")
    return _Way("usage", day, f"{asked} on {day}")


def _measured(first: Reading, latest: Reading) -> str:
    return f"({_number(first.exact)} on {first.day}, {_number(latest.exact)} on {latest.day})"


@lru_cache(1024)
def _pace(first: Reading, latest: Reading) -> str:
    """The rate and what it was measured between: the same for all that run on one meter."""
    return f"{_three_digits(_rate(first, latest))} a day {_measured(first, latest)}"


@lru_cache(4096)
def _before(day: date, window: Duration | None) -> date:
    """The day the window opens: ``day`` itself without one, and never before the first day there is."""
    try:
        return day - _span(window) if window is not None else day
    except (ValueError, OverflowError):
        return date.min


def _span(duration: Duration) -> relativedelta:
    """Months, clamped to the month's last day, then days."""
    return relativedelta(months=duration.months, days=duration.days)


@lru_cache(1024)
def _exact(amount: str) -> int | Fraction:
    return exact(Decimal(amount))


def _day(reading: Reading) -> date:
    return reading.day


def _rate(low: _Point | Reading, high: _Point | Reading) -> Fraction:
    """Counts a day from one point to a later one."""
    return Fraction(high.exact - low.exact, (high.day - low.day).days)


def _days_to(count: int | Fraction, low: _Point | Reading, high: _Point | Reading) -> int:
    """⌈count / rate⌉ at the rate, above nothing, from one point to a later one."""
    return int(-(-count * (high.day - low.day).days // (high.exact - low.exact)))


def _number(count: int | Fraction) -> str:
    """A count for people: as read, and to two decimals where it was reckoned and has no end."""
    if count.denominator == 1:
        return str(count.numerator)
    value = Decimal(count.numerator) / Decimal(count.denominator)
    return format(value if Fraction(value) == count else round(value, 2), "f")


def _three_digits(rate: Fraction) -> str:
    """A rate for people: three significant digits, whole ones never cut."""
    value = Decimal(rate.numerator) / Decimal(rate.denominator)
    return format(round(value, max(0, 2 - value.adjusted())), "f")
