"""A meter's readings as one running count. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date, datetime
from decimal import Decimal
from fractions import Fraction
from itertools import accumulate
from typing import TypeAlias


@dataclass(frozen=True, slots=True)
class Reading:
    """The running count of a meter at a day, replaced meters included.

    ``peak`` is the highest count up to it, where that is known: a reading may be lower than one before it.
    """

    day: date
    count: Decimal
    peak: Decimal | None = field(default=None, compare=False)
    exact: int | Fraction = field(init=False, repr=False, compare=False)
    """The count as a number in which nothing is rounded."""

    def __post_init__(self) -> None:
        object.__setattr__(self, "exact", exact(self.count))


def exact(count: Decimal) -> int | Fraction:
    """The same count, a whole one as an integer: sums of those cost a tenth."""
    numerator, denominator = count.as_integer_ratio()
    return numerator if denominator == 1 else Fraction(numerator, denominator)


Metered: TypeAlias = "tuple[datetime, date, Decimal, Decimal | None]"
"""One reading of a meter: time, day, what it read, and what the meter it replaced had read last (less what the new one
read as it went in)."""


class RunningCount:
    """The readings of a meter as one running count; a new meter counts on top of what the old one read last.

    After 1312 on the old one, 3 on the new one is 1315. The last reading of a day holds for that day.
    """

    def __init__(self, readings: Iterable[Metered] = ()) -> None:
        self._last: tuple[datetime, bool, Decimal, Decimal] | None = None
        self._carried = Decimal(0)
        self.readings: tuple[Reading, ...] = ()
        by_day: dict[date, Decimal] = {}
        for reading in sorted(readings, key=_order):
            by_day[reading[1]] = self._counted(reading)
        days = sorted(by_day)
        peaks = accumulate((by_day[day] for day in days), max)
        self.readings = tuple(Reading(day, by_day[day], peak) for day, peak in zip(days, peaks, strict=True))

    def take(self, reading: Metered) -> bool:
        """One more reading; False, and nothing done, where it is earlier than the last: then count anew."""
        day = reading[1]
        if self._last is None or _order(reading) < self._last or day < self.readings[-1].day:
            return False
        kept = self.readings[:-1] if self.readings[-1].day == day else self.readings
        count = self._counted(reading)
        peak = max(count, kept[-1].peak or count) if kept else count
        self.readings = (*kept, Reading(day, count, peak))
        return True

    def _counted(self, reading: Metered) -> Decimal:
        self._last = _order(reading)
        self._carried += reading[3] or 0
        return self._carried + reading[2]


def cumulative(readings: Iterable[Metered]) -> tuple[Reading, ...]:
    """Meter readings as one running count, whatever order they arrive in."""
    return RunningCount(readings).readings


def _order(reading: Metered) -> tuple[datetime, bool, Decimal, Decimal]:
    """By time; at one time the old meter before the new one, then the lower reading, never the order of arrival."""
    at, _, count, final = reading
    return at, final is not None, count, final or Decimal(0)
