"""What one turn of the stem does to the delivered pressure, and how we know.

1. Learned from the device's own adjustments, three at least:  r_i = (p_after − p_before)/turns   kPa per turn; the
   median of the r_i, which one bad reading does not move far. Its interval is that of the sign test, free of any
   assumption on how readings scatter: from the k-th smallest to the k-th largest r, which holds the true median with
   a confidence of  1 − 2·P(B ≤ k − 1),  B binomial (n, ½); k the greatest for which that is 95 % or more, else 1
   (Conover, Practical Nonparametric Statistics, §3.2; from memory, confirm against the document).
2. Else reckoned:  r = k·P/A   kPa per turn, k the spring rate, P the thread's pitch, A the area; friction ignored.
3. Else as the register says.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from math import comb
from statistics import median

from service.checks.job import Adjustment, Fact, Facts, Job
from service.entries.asset import AssetRegistered
from service.entries.quantity import figures
from service.entries.work import SettingAdjusted

FEWEST = 3
"""Adjustments without which nothing is learned."""
_CONFIDENCE = 0.95


@dataclass(frozen=True, slots=True)
class PerTurn:
    """kPa for one turn in; with its interval and the pressures it was seen between where it was learned."""

    kpa: Decimal
    says: str
    """How we know, for a reader: ``14 psi per turn as registered``."""
    known_from: str
    """``adjustments``, ``spring`` or ``register``."""
    low: Decimal | None = None
    high: Decimal | None = None
    confidence: float | None = None
    """That the interval holds the true value."""
    seen: tuple[Decimal, Decimal] | None = None
    """Lowest and highest delivered pressure of the adjustments, kPa."""
    entries: tuple[str, ...] = ()


def adjustments(facts: Iterable[Fact[SettingAdjusted]]) -> tuple[Adjustment, ...]:
    """Those that tell what they did: turns, and the pressure before and after against one reference."""
    return tuple(
        Adjustment(fact.data.turns.si, fact.data.before.si, fact.data.after.si, fact.id)
        for fact in facts
        if fact.data.before is not None
        and fact.data.after is not None
        and fact.data.before.reference == fact.data.after.reference
        and fact.data.turns.si != 0
    )


def of_job(job: Job) -> PerTurn | None:
    """What is known at a rebuild: from earlier ones of the device, from between them, and from its own adjustments."""
    earlier = [one for earlier in job.earlier for one in earlier.adjusted]
    between = [fact for fact in Facts(job.between).of(SettingAdjusted) if job.opening and fact.at <= job.opening.at]
    made = (*earlier, *adjustments(between), *adjustments(job.facts.of(SettingAdjusted)))
    return pressure_per_turn(job.register, made)


def pressure_per_turn(register: AssetRegistered, made: Sequence[Adjustment] = ()) -> PerTurn | None:
    """The best there is to know; None where nothing tells."""
    return learned(made) or _reckoned(register) or _registered(register)


def learned(made: Sequence[Adjustment]) -> PerTurn | None:
    """From adjustments of one device; None from fewer than three."""
    if len(made) < FEWEST:
        return None
    slopes = sorted(one.slope for one in made)
    k, confidence = _order_statistic(len(slopes))
    pressures = [p for one in made for p in (one.before, one.after)]
    kpa, low, high = median(slopes), slopes[k - 1], slopes[-k]
    return PerTurn(
        kpa,
        f"{figures(kpa, 4)} kPa per turn, the median of {len(slopes)} adjustments; {figures(low, 4)} to "
        f"{figures(high, 4)} at {percent(confidence)} confidence",
        known_from="adjustments",
        low=low,
        high=high,
        confidence=confidence,
        seen=(min(pressures), max(pressures)),
        entries=tuple(one.entry for one in made),
    )


def _order_statistic(n: int) -> tuple[int, float]:
    """How many values from either end the interval of the median begins, and how sure it is."""
    k, confidence = 1, 1 - 2 ** (1 - n)
    below = Decimal(1)
    for next_k in range(2, n // 2 + 1):
        below += comb(n, next_k - 1)
        surer = float(1 - 2 * below / 2**n)
        if surer < _CONFIDENCE:
            break
        k, confidence = next_k, surer
    return k, confidence


def interval_of_median(values: Sequence[Decimal]) -> tuple[Decimal, Decimal, float]:
    """Low and high of the sign test's interval of a median, and how sure it is."""
    ordered = sorted(values)
    k, confidence = _order_statistic(len(ordered))
    return ordered[k - 1], ordered[-k], confidence


def percent(confidence: float) -> str:
    """``75 %``, ``96.9 %``: never rounded up to a certainty."""
    return f"{min(confidence * 100, 99.9):.3g} %"


def _reckoned(register: AssetRegistered) -> PerTurn | None:
    stem = register.stem
    if stem is None or stem.spring_rate is None or stem.pitch is None or stem.area is None or stem.area.si == 0:
        return None
    kpa = stem.spring_rate.si * stem.pitch.si / stem.area.si * 1000  # N/mm2 is 1000 kPa
    how = f"{stem.spring_rate} × {stem.pitch} / {stem.area} = {figures(kpa, 5)} kPa per turn, friction ignored"
    return PerTurn(kpa, how, "spring")


def _registered(register: AssetRegistered) -> PerTurn | None:
    given = register.stem.pressure_per_turn if register.stem else None
    return PerTurn(given.si, f"{given} per turn as registered", "register") if given is not None else None
