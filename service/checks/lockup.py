"""The seat closes: how far the delivered pressure rises when flow stops.

R = (p_closed − p_flowing) / p_flowing, gauge pressures; conforming while R ≤ the procedure's greatest rise
    p_closed is read once the settling time has passed, a minute where the procedure names none (ISO 10524 family, from
    memory); ISO 2503 takes R < 0.3 (from memory). In absolute pressures R would come out too small.
U(R) = 2·s·√(1 + (1 + R)²) / p_flowing, s = resolution/√12, is told beside it: simple acceptance, ILAC-G8:09/2019
cl. 4.2 (from memory). Of several tests of a section the last decides.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import timedelta
from decimal import Decimal
from functools import partial
from typing import Any

from service.checks.clock import clock, lapse, span
from service.checks.finding import FROM_MEMORY, Check, Finding, say
from service.checks.gas import Unknown
from service.checks.gauge import SQRT12
from service.checks.job import Fact, Job
from service.checks.shut_section import COVERAGE
from service.entries.instrument import PressureGauge
from service.entries.judgement import Verdict
from service.entries.procedure import Lockup
from service.entries.quantity import Pressure, figures
from service.entries.work import LockupReading, LockupTested

NAME = "lockup"
SOURCE = f"greatest rise: the procedure; closure after a minute: ISO 10524 family, rise: ISO 2503 ({FROM_MEMORY})"
_said = partial(say, NAME, SOURCE)
_A_MINUTE = timedelta(minutes=1)


def check(job: Job) -> Iterator[Finding]:
    """One finding for each section that was tested, or one that none was."""
    asked = job.procedure.lockup
    if asked is None:
        says = "The procedure does not ask for the lock-up."
        yield Finding(check=NAME, subject=NAME, verdict="not_applicable", says=says, source=SOURCE)
        return
    tests = last_tests(job)
    if not tests:
        says, advice = (
            "No lock-up test is recorded.",
            "Stop the flow, watch the delivered pressure, record lockup.tested.",
        )
        yield _said("lock-up", "inconclusive", says, advice, required=_required(asked))
    for section, fact in tests.items():
        yield _test(job, asked, section, fact)


def last_tests(job: Job) -> Mapping[str, Fact[LockupTested]]:
    """The last test of each section; ``lock-up`` for one that names none."""
    return {fact.data.section or "lock-up": fact for fact in job.facts.of(LockupTested)}


def settled(asked: Lockup, test: LockupTested) -> list[LockupReading]:
    """The readings from the end of the settling time on, in order."""
    settle = span(asked.settle) if asked.settle else _A_MINUTE
    return sorted(
        (reading for reading in test.readings if span(reading.after) >= settle), key=lambda one: span(one.after)
    )


def rise(closed: Decimal, flowing: Decimal) -> Decimal:
    """R, from gauge pressures in the same unit."""
    return (closed - flowing) / flowing


def _test(job: Job, asked: Lockup, section: str, fact: Fact[LockupTested]) -> Finding:
    test, readings = fact.data, settled(asked, fact.data)
    entries = (fact.id,)
    if not readings:
        settle = lapse(span(asked.settle) if asked.settle else _A_MINUTE)
        says = f"Tested {clock(job, fact.at)}: no reading {settle} or more after flow stopped."
        return _said(section, "inconclusive", says, f"Read it {settle} after flow stops.", entries=entries)
    closed, flowing = _gauge(test, readings[0].pressure), _gauge(test, test.flowing)
    if isinstance(closed, Unknown) or isinstance(flowing, Unknown):
        unknown = closed if isinstance(closed, Unknown) else flowing
        return _said(section, "inconclusive", *_told(unknown), entries=entries)
    if flowing <= 0:
        says = f"{test.flowing} with gas flowing: nothing was delivered, so there is no rise to speak of."
        return _said(section, "inconclusive", says, "Correct the entry, or repeat the test.", entries=entries)
    r = rise(closed, flowing)
    verdict, why, advice = _decided(asked, r, expanded := _expanded(job, test, flowing, r))
    sure = f", U {figures(100 * expanded, 2)} % (k = 2)" if expanded is not None else ""
    said = (
        f"{test.flowing} flowing, {readings[0].pressure} {lapse(span(readings[0].after))} after flow stopped: R = "
        f"({figures(closed, 6)} − {figures(flowing, 6)}) / {figures(flowing, 6)} = {figures(100 * r, 3)} %{sure}; "
        f"greatest rise {asked.max_rise_percent} %: {why}."
    )
    shown = {"value": figures(100 * r, 3), "unit": "%"}
    measured = {**shown, "si": shown}
    return _said(section, verdict, said, advice, measured=measured, required=_required(asked), entries=entries)


def _decided(asked: Lockup, r: Decimal, expanded: Decimal | None) -> tuple[Verdict, str, str | None]:
    if r + (expanded or 0) < 0:
        why = "it fell when flow stopped, so the section leaks or something still drew on it"
        return "inconclusive", why, "Shut off what draws on the section, find its leak, and repeat the test."
    if 100 * r > Decimal(asked.max_rise_percent):
        return "nonconforming", "it rises more", "The seat closes late: look for dirt or damage on seat and piston."
    return "conforming", "within it", None


def _gauge(test: LockupTested, p: Pressure) -> Decimal | Unknown:
    """Gauge pressure, kPa."""
    if p.reference == "gauge":
        return p.si
    if test.atmosphere is None:
        return Unknown(f"{p}: the rise is one of gauge pressures", "Add the atmosphere, or give gauge pressures.")
    return p.si - test.atmosphere.si


def _told(unknown: Decimal | Unknown) -> tuple[str, str]:
    return (f"{unknown.why}.", unknown.advice) if isinstance(unknown, Unknown) else ("", "")


def _expanded(job: Job, test: LockupTested, flowing: Decimal, r: Decimal) -> Decimal | None:
    """U(R); None where the gauge's resolution is not known."""
    record = job.instrument(test.instrument)
    step = record.model.resolution if record is not None and isinstance(record.model, PressureGauge) else None
    if step is None:
        return None
    return COVERAGE * step.si / SQRT12 * (1 + (1 + r) ** 2).sqrt() / flowing


def _required(asked: Lockup) -> dict[str, Any]:
    shown = {"value": asked.max_rise_percent, "unit": "%"}
    return {"high": {**shown, "si": shown}}


LOCKUP = Check(
    NAME,
    "The delivered pressure rises no more than the procedure allows when flow stops and the seat has settled.",
    "R = (p_closed − p_flowing) / p_flowing ≤ greatest rise, gauge pressures, p_closed after the settling time",
    SOURCE,
    reads=frozenset({"lockup.tested", "rebuild.opened"}),
    run=check,
)
