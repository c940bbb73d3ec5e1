"""The seat holds: how far the pressure of a closed section creeps up once it has settled, net of the section's leak.

c = (d + (Q/V)·(T1/T_ref)·Δt) · t_obs/Δt            kPa in the time of observation t_obs
    d the drift beyond temperature (``service.checks.shut_section``) from the end of the settling time on, over Δt ≥
    t_obs; Q the section's own leak from its last decay test in this rebuild (``service.checks.leak``), which hides
    creep: what a seat passes and a leak loses shows nothing on the gauge.  u² = u(d)² + u(leak)², U = 2·u, scaled alike
Conforming while c + U ≤ limit, nonconforming from c − U > limit, inconclusive between them. c + U < 0 is a pressure
that fell by more than the leak explains. A flow q of free gas through the seat raises it by q·p_atm/V: 0.2 mL/min into
1.5 L is 0.81 kPa/h. Settling time and observation: the procedure; rule: common practice, no published source.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from decimal import Decimal
from functools import partial
from typing import NamedTuple

from service.checks.clock import clock, lapse, span
from service.checks.finding import COMMON_PRACTICE, FROM_MEMORY, Check, Finding, in_both, say
from service.checks.gas import Unknown
from service.checks.job import Fact, Job
from service.checks.leak import Rate, decay_rate, last_decay
from service.checks.lockup import last_tests, settled
from service.checks.shut_section import COVERAGE, STANDARD_ATMOSPHERE, Drift, Read, drift, written
from service.entries.judgement import Verdict
from service.entries.procedure import Lockup
from service.entries.quantity import PressureDifference, figures
from service.entries.work import LeakTested, LockupReading, LockupTested

NAME = "creep"
SOURCE = f"limit: the procedure; uncertainty: JCGM 100:2008 ({FROM_MEMORY}); rule: {COMMON_PRACTICE}"
_said = partial(say, NAME, SOURCE)


class _Leak(NamedTuple):
    """What the section's leak lost meanwhile, kPa, and its standard uncertainty; ``known`` is False if nobody knows."""

    lost: Decimal
    u: Decimal
    known: bool
    words: str
    entries: tuple[str, ...] = ()


def check(job: Job) -> Iterator[Finding]:
    """One finding for each section whose lock-up was tested, or one that none was."""
    asked = job.procedure.lockup
    if asked is None or asked.creep_limit is None:
        says = "The procedure gives no limit for creep."
        yield Finding(check=NAME, subject=NAME, verdict="not_applicable", says=says, source=SOURCE)
        return
    tests = last_tests(job)
    if not tests:
        says, advice = (
            "No lock-up test is recorded.",
            "Record lockup.tested with readings at both ends of the time asked.",
        )
        yield _said("lock-up", "inconclusive", says, advice, required={"limit": asked.creep_limit.shown()})
    for section, fact in tests.items():
        yield _test(job, asked, asked.creep_limit, section, fact)


def seat_flow(kpa_per_hour: Decimal, volume: Decimal) -> Decimal:
    """The flow of free gas that raises a volume, L, so fast: mL/min."""
    return kpa_per_hour / STANDARD_ATMOSPHERE * volume * 1000 / 60


def _test(job: Job, asked: Lockup, limit: PressureDifference, section: str, fact: Fact[LockupTested]) -> Finding:
    test, required = fact.data, {"limit": limit.shown()}
    ends = _ends(asked, test)
    if ends is None:
        wanted = f"{lapse(span(asked.observe))} apart" if asked.observe else "some time apart"
        says = f"Tested {clock(job, fact.at)}: no two readings {wanted} once it had settled."
        advice = "Go on reading until the time of observation is over."
        return _said(section, "inconclusive", says, advice, required=required, entries=(fact.id,))
    first, last = (Read(reading.pressure, reading.temperature) for reading in ends)
    found = drift(job, first, last, test.atmosphere, (test.instrument, test.thermometer))
    if isinstance(found, Unknown):
        says = f"Tested {clock(job, fact.at)}: {found.why}."
        return _said(section, "inconclusive", says, found.advice, required=required, entries=(fact.id,))
    seconds = span(ends[1].after) - span(ends[0].after)
    leak = _leak(job, section, test, found, seconds)
    observed = (span(asked.observe) if asked.observe else None) or seconds
    scale = Decimal(observed // _SECOND) / (seconds // _SECOND)
    c, expanded = (found.d + leak.lost) * scale, COVERAGE * (found.u**2 + leak.u**2).sqrt() * scale
    verdict, why, mend = _decided(c, expanded, limit, leak)
    said = (
        f"{written(first)} {lapse(span(ends[0].after))} after flow stopped, {lapse(seconds)} later {written(last)}: "
        f"{found.words}; drift {figures(found.d, 3)} kPa{leak.words}: creep {figures(c, 3)} kPa in {lapse(observed)}, "
        f"U {figures(expanded, 2)} kPa (k = 2){_through(c, observed, test)}; limit {in_both(limit, 3)}: {why}."
    )
    shown = {"value": figures(c, 3), "unit": "kPa"}
    measured = {**shown, "si": shown}
    entries = (fact.id, *leak.entries)
    return _said(section, verdict, said, mend, measured=measured, required=required, entries=entries)


_SECOND = timedelta(seconds=1)


def _ends(asked: Lockup, test: LockupTested) -> tuple[LockupReading, LockupReading] | None:
    """The reading at which the seat had settled, and the first at the end of the observation; else the last of all."""
    readings = settled(asked, test)
    if len(readings) < 2:
        return None
    until = span(readings[0].after) + max(span(asked.observe) if asked.observe else _SECOND, _SECOND)
    late = [reading for reading in readings if span(reading.after) >= until]
    if not late:
        return None
    return readings[0], late[0] if asked.observe else late[-1]


def _leak(job: Job, section: str, test: LockupTested, found: Drift, seconds: timedelta) -> _Leak:
    """What the section lost by its own leak, from its last decay test."""
    asked = job.procedure.leak_test
    decay = last_decay([fact for fact in job.facts.of(LeakTested) if fact.data.root.section == section])
    rate = decay_rate(job, decay) if decay is not None else None
    if decay is None or not isinstance(rate, Rate):
        missing = asked is not None and section in asked.sections
        words = ", the section's own leak not known" if missing else ", the section's own leak taken as none"
        return _Leak(Decimal(0), Decimal(0), not missing, words)
    volume = test.volume.si if test.volume is not None and test.volume.si else rate.volume
    per_rate = Decimal(seconds // _SECOND) / volume * found.t1 / rate.t_ref  # Pa·m³ over L is kPa
    lost = max(rate.q, Decimal(0)) * per_rate
    words = f" + {figures(lost, 3)} kPa lost by the section's leak ({figures(max(rate.q, Decimal(0)), 3)} Pa.m3/s)"
    return _Leak(lost, rate.expanded / COVERAGE * per_rate, known=True, words=words, entries=(decay.id,))


def _decided(c: Decimal, expanded: Decimal, limit: PressureDifference, leak: _Leak) -> tuple[Verdict, str, str | None]:
    if c - expanded > limit.si:
        return "nonconforming", "it creeps more", "The seat passes: look for dirt or damage on seat and piston."
    if not leak.known:
        advice = "Test the section for leaks by pressure decay: a leak hides creep."
        return "inconclusive", "a leak could hide creep", advice
    if c + expanded < 0:
        advice = "Find where the section loses pressure, and repeat the test."
        return "inconclusive", "it fell by more than the leak explains, which could hide creep", advice
    if c + expanded <= limit.si:
        return "conforming", "c + U is within it", None
    return (
        "inconclusive",
        "it lies between c − U and c + U",
        "Observe it longer, or with a finer gauge and thermometer.",
    )


def _through(c: Decimal, observed: timedelta, test: LockupTested) -> str:
    """What passes the seat, where the volume tells it."""
    if test.volume is None or c <= 0:
        return ""
    per_hour = c * 3600 / (observed // _SECOND)
    return f", {figures(seat_flow(per_hour, test.volume.si), 2)} mL/min through the seat into {test.volume}"


CREEP = Check(
    NAME,
    "A closed section's pressure creeps up no more than the procedure allows, temperature and its own leak taken out.",
    "c = (p2·T1/T2 − p1 + (Q/V)·(T1/T_ref)·Δt) · t_obs/Δt; c + U ≤ limit",
    SOURCE,
    reads=frozenset({"leak.tested", "lockup.tested", "rebuild.opened"}),
    run=check,
)
