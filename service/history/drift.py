"""Does the delivered pressure wander between visits, and will it leave its band before the next service?

Between a visit that left p_left at t_left and the next that found p_found at t_found:

    rate = (p_found − p_left)/(t_found − t_left)        kPa a year of 365.25 days

Three such stretches or more: the median rate, with the sign test's interval (``checks.pressure_per_turn``). One or two:
Σ(p_found − p_left)/Σ(t_found − t_left), with an interval of ±2·√(Σu²)/Σ(t_found − t_left) from what the gauges could
tell apart, and no more is known. The last pressure left plus rate × time is what to expect on the day of the next
service. Advice, never a verdict. Common practice, no published source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from itertools import pairwise
from statistics import median
from typing import Literal

from service.checks.pressure_per_turn import FEWEST, interval_of_median, percent
from service.entries.asset import Band
from service.entries.quantity import figures
from service.history.visits import Reading, Visit

YEAR_DAYS = Decimal("365.25")
_SHORTEST_DAYS = 7
"""Stretches shorter than this say more of the gauge than of the drift."""
Sure = Literal["whole interval", "middle only", "edge only", "not"]


@dataclass(frozen=True, slots=True)
class Stretch:
    """From one visit's reading as left to the next one's as found."""

    left: Reading
    found: Reading

    @property
    def years(self) -> Decimal:
        """How long it was."""
        return Decimal(str((self.found.at - self.left.at).total_seconds())) / 86400 / YEAR_DAYS

    @property
    def change(self) -> Decimal:
        """What the pressure had done, kPa."""
        return self.found.kpa - self.left.kpa

    @property
    def rate(self) -> Decimal:
        """Kilopascals a year."""
        return self.change / self.years


@dataclass(frozen=True, slots=True)
class Drift:
    """Kilopascals a year, between low and high (None: nothing tells), and the sum in words."""

    rate: Decimal
    low: Decimal | None
    high: Decimal | None
    stretches: tuple[Stretch, ...]
    says: str


@dataclass(frozen=True, slots=True)
class Outlook:
    """The delivered pressure to expect on a day, kPa, and whether it will have left its band."""

    on: date
    expected: Decimal
    low: Decimal | None
    high: Decimal | None
    leaves: Sure
    says: str


def stretches(visits: Sequence[Visit], flow: str) -> tuple[Stretch, ...]:
    """What lies between the visits, oldest first; a visit that left no reading breaks the chain."""
    found = []
    for before, after in pairwise(visits):
        left, then = before.as_left.get(flow), after.as_found.get(flow)
        if left is not None and then is not None and (then.at - left.at).days >= _SHORTEST_DAYS:
            found.append(Stretch(left, then))
    return tuple(found)


def drift(between: Sequence[Stretch]) -> Drift | None:
    """What the stretches say together; None where there is none."""
    if not between:
        return None
    if len(between) >= FEWEST:
        rates = [one.rate for one in between]
        rate, (low, high, confidence) = median(rates), interval_of_median(rates)
        says = (
            f"{_signed(rate)} kPa a year, the median of {len(between)} stretches between visits; {_signed(low)} to "
            f"{_signed(high)} at {percent(confidence)} confidence."
        )
        return Drift(rate, low, high, tuple(between), says)
    return _from_few(between)


def _from_few(between: Sequence[Stretch]) -> Drift:
    change, years = sum(one.change for one in between), sum(one.years for one in between)
    rate = Decimal(change / years)
    told = " + ".join(f"({_kpa(one.found.kpa)} − {_kpa(one.left.kpa)})" for one in between)
    says = f"({told}) kPa / {figures(Decimal(years), 3)} years = {_signed(rate)} kPa a year"
    ends = [reading.u for one in between for reading in (one.left, one.found)]
    known = [u for u in ends if u is not None]
    if len(known) < len(ends):
        return Drift(rate, None, None, tuple(between), f"{says}; how finely the gauges read was not recorded.")
    spread = 2 * Decimal(sum(u * u for u in known)).sqrt() / years
    says += f" ± {figures(spread, 2)} from the gauges' resolution alone; fewer than {FEWEST} stretches tell no more."
    return Drift(rate, rate - spread, rate + spread, tuple(between), says)


def outlook(wandering: Drift, left: Reading, band: Band, on: date, today: datetime) -> Outlook | None:
    """What to expect on the day of the next service; None where that day has passed or the band is absolute."""
    if "absolute" in {band.low.reference, band.high.reference} or on <= today.date():
        return None
    years = Decimal((on - left.at.date()).days) / YEAR_DAYS
    expected = left.kpa + wandering.rate * years
    ends = [left.kpa + rate * years for rate in (wandering.low, wandering.high) if rate is not None]
    low, high = (min(ends), max(ends)) if ends else (None, None)
    leaves = _leaves(band, expected, low, high)
    says = (
        f"{_kpa(left.kpa)} kPa as left {_signed(wandering.rate)} kPa a year × {figures(years, 3)} years = "
        f"{_kpa(expected)} kPa on {on}; band {band.low} to {band.high}. {_WORDS[leaves]}"
    )
    return Outlook(on, expected, low, high, leaves, says)


def _leaves(band: Band, expected: Decimal, low: Decimal | None, high: Decimal | None) -> Sure:
    def out(pressure: Decimal) -> bool:
        return not band.low.si <= pressure <= band.high.si

    if not out(expected):
        return "edge only" if any(end is not None and out(end) for end in (low, high)) else "not"
    above = expected > band.high.si
    known = low is not None and high is not None
    surely = known and ((low or 0) > band.high.si if above else (high or 0) < band.low.si)
    return "whole interval" if surely else "middle only"


_WORDS: dict[Sure, str] = {
    "whole interval": "It will have left its band before the next service, as far as the whole interval says.",
    "middle only": "It may well have left its band before the next service: the best estimate has.",
    "edge only": "It is expected to stay in its band, though not by the whole interval.",
    "not": "It is expected to stay in its band.",
}


def _kpa(pressure: Decimal) -> str:
    return figures(pressure, 4)


def _signed(rate: Decimal) -> str:
    return f"{'−' if rate < 0 else '+'}{figures(abs(rate), 3)}"
