"""Zero pressure: proven at every point the procedure names, after isolation and before anything is loosened.

A period of work is isolated by the last bank.isolated before its first part comes out or goes in (``zero_period``).
In it, at each point, the last reading before that part decides: it proves zero, refutes it or leaves it open
(``zero_reading``). Where a hold is asked, the proofs since the last refutation must span it: t_last − t_first ≥ hold.
Limits and hold come from the procedure; the rule is common practice, no published source.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

from service.checks.clock import clock, lapse, span
from service.checks.finding import COMMON_PRACTICE, FROM_MEMORY, Check, Finding
from service.checks.job import Fact, Job
from service.checks.zero_period import Period, periods_to_prove
from service.checks.zero_reading import ZeroProof, ZeroReading, seen_alive, weigh
from service.entries.judgement import Verdict
from service.entries.procedure import ZeroPoint, ZeroPressure
from service.entries.work import BankIsolated, BankRestored, PressureRead

NAME = "zero_pressure"
SOURCE = f"limits: the procedure; rule: {COMMON_PRACTICE}; uncertainty: JCGM 100:2008 ({FROM_MEMORY})"
_WORST_FIRST: tuple[Verdict, ...] = ("nonconforming", "inconclusive", "conforming")
_PHASES = frozenset({"isolated", "during"})
_DOME = " A dome traps its loading gas while both gauges read zero: vent the dome too, and read it there."
_STOP = "Loosen nothing further: vent, look for the valve that passes, and prove zero again."


@dataclass(frozen=True, slots=True)
class _Answer:
    """What one period says about one point."""

    verdict: Verdict
    says: str
    advice: str = ""
    readings: tuple[ZeroReading, ...] = ()


def check(job: Job) -> Iterator[Finding]:
    """One finding for each point the procedure names."""
    asked = job.procedure.zero_pressure
    if asked is None:
        says = "The procedure names no point to prove at zero."
        yield Finding(check=NAME, subject=NAME, verdict="not_applicable", says=says, source=SOURCE)
        return
    periods, alive = periods_to_prove(job), seen_alive(job)
    for point in asked.points:
        yield _finding(job, point, periods, [_answer(job, point, period, alive) for period in periods])


def proven_at(job: Job, point: str | None = None) -> datetime | None:
    """When zero was first proven at every point at once (or at the one named), hold included; None if never."""
    asked, alive = job.procedure.zero_pressure, seen_alive(job)
    points = {zero.point: zero for zero in asked.points if point in {None, zero.point}} if asked else {}
    isolated: datetime | None = None
    proofs = {name: ZeroProof(_hold(asked)) for name in points}
    for at, what, fact in _events(job):
        if fact is None:
            isolated = at if what == _ISOLATED else None
            proofs = {name: ZeroProof(_hold(asked)) for name in points}
        elif isolated is not None and fact.data.point in points:
            reading = weigh(job, fact, points[fact.data.point], isolated, alive)
            if reading.bears:
                proofs[fact.data.point].take(reading)
            if all(proof.complete for proof in proofs.values()):
                return at
    return None


_RESTORED, _ISOLATED, _READ = range(3)
"""Of equal times, in this order: a bank restored and isolated in one minute is isolated."""


def _events(job: Job) -> list[tuple[datetime, int, Fact[PressureRead] | None]]:
    events: list[tuple[datetime, int, Fact[PressureRead] | None]] = [
        *((fact.at, _RESTORED, None) for fact in job.facts.of(BankRestored)),
        *((fact.at, _ISOLATED, None) for fact in job.facts.of(BankIsolated)),
        *((fact.at, _READ, fact) for fact in job.facts.of(PressureRead) if fact.data.phase in _PHASES),
    ]
    return sorted(events, key=lambda event: event[:2])


def _hold(asked: ZeroPressure | None) -> timedelta:
    return span(asked.hold) if asked and asked.hold else timedelta(0)


def _answer(job: Job, point: ZeroPoint, period: Period, alive: Mapping[str, datetime]) -> _Answer:
    if period.isolated is None:
        return _not_isolated(job, period)
    readings = list(_readings(job, point, period, alive))
    loosened = period.loosened
    if loosened is None:
        return _by_the_last(job, period, readings) if readings else _not_read(job, point, period, [])
    for reading in readings:
        if reading.standing == "refutes" and loosened <= reading.at <= period.handled[-1].at:
            says = f"Pressure was there while parts were being handled: {reading.says}."
            return _Answer("nonconforming", says, _STOP, (reading,))
    before = [reading for reading in readings if reading.at < loosened]
    return _by_the_last(job, period, before) if before else _not_read(job, point, period, readings)


def _readings(job: Job, point: ZeroPoint, period: Period, alive: Mapping[str, datetime]) -> Iterator[ZeroReading]:
    """What was read at the point from the isolation to the end of the period, as far as it bears on zero."""
    for fact in job.facts.of(PressureRead):
        if period.isolated is None or fact.at < period.isolated or (period.ends is not None and fact.at > period.ends):
            continue
        if fact.data.point == point.point and fact.data.phase in _PHASES:
            reading = weigh(job, fact, point, period.isolated, alive)
            if reading.bears:
                yield reading


def _not_isolated(job: Job, period: Period) -> _Answer:
    advice = "Record bank.isolated with its valves and locks, then prove zero at every point."
    if period.loosened is None:
        since = f" since the bank was re-pressurised at {clock(job, period.begins)}" if period.begins else ""
        return _Answer("inconclusive", f"No bank.isolated is recorded{since}.", advice)
    loosened = f"The first part was handled at {clock(job, period.loosened)}"
    if period.begins is not None:
        says = f"{loosened}, after the bank was re-pressurised at {clock(job, period.begins)}"
        return _Answer("nonconforming", f"{says}, with no new isolation and no new proof in between.", advice)
    if period.isolations:
        says = f"{loosened}, before the bank was isolated at {clock(job, period.isolations[0])}."
        return _Answer("nonconforming", says, advice)
    return _Answer("inconclusive", f"{loosened}; no bank.isolated is recorded.", advice)


def _not_read(job: Job, point: ZeroPoint, period: Period, later: list[ZeroReading]) -> _Answer:
    advice = f"Read the pressure at {point.point} after isolation and before anything is loosened."
    if period.loosened is None:
        return _Answer("inconclusive", "No reading since the isolation.", advice)
    loosened = clock(job, period.loosened)
    first = next((reading for reading in later if reading.fact.data.phase == "isolated"), None)
    if first is not None and first.at == period.loosened:
        says = f"Zero was read and the first part handled at the same time, {loosened}: which came first is not known."
        return _Answer("inconclusive", says, "Seconds or another clock would settle it.", (first,))
    if first is not None:
        says = (
            f"Loosened before zero was proven: the first part at {loosened}, the first reading after it: {first.says}."
        )
        return _Answer("nonconforming", says, advice, (first,))
    if period.begins is not None:
        says = f"The first part was handled at {loosened}, after the bank was re-pressurised at "
        return _Answer("nonconforming", f"{says}{clock(job, period.begins)}, with no new proof in between.", advice)
    return _Answer("inconclusive", f"No reading between isolation and the first part at {loosened}.", advice)


def _by_the_last(job: Job, period: Period, readings: list[ZeroReading]) -> _Answer:
    """The last reading decides; then the hold."""
    hold = _hold(job.procedure.zero_pressure)
    proof, last = ZeroProof(hold), readings[-1]
    for reading in readings:
        proof.take(reading)
    if last.standing == "refutes":
        rose = any(reading.standing == "proves" for reading in readings)
        what = "Pressure rose again, a valve passes" if rose else "Pressure was still there"
        return _Answer("nonconforming", f"{what}: {last.says}.", _STOP, tuple(readings))
    if proof.held is None or proof.since is None:
        return _Answer("inconclusive", f"{last.says}.", last.advice, tuple(readings))
    held = f"; zero since {clock(job, proof.since)}, {lapse(proof.held)}" if hold or proof.held else ""
    loosened = f"; first part handled {clock(job, period.loosened)}" if period.loosened else ""
    says = f"{last.says}{held}" + (f", hold {lapse(hold)} wanted" if hold else "") + f"{loosened}."
    if proof.complete:
        return _Answer("conforming", says, "", tuple(readings))
    again = f"{lapse(hold)} or more after {clock(job, proof.since)}"
    if period.loosened is None:
        advice = f"Read again {again}, before anything is loosened."
    else:
        advice = f"If it was read again {again} and before the first part, record that reading."
    return _Answer("inconclusive", says, advice, tuple(readings))


def _finding(job: Job, point: ZeroPoint, periods: list[Period], answers: list[_Answer]) -> Finding:
    """The worst of the periods; where there are several, each is told."""
    worst = min(answers, key=lambda answer: _WORST_FIRST.index(answer.verdict))
    told = [
        f"Period {number}{f', isolated {clock(job, period.isolated)}' if period.isolated else ''}: {answer.says}"
        for number, (period, answer) in enumerate(zip(periods, answers, strict=True), 1)
    ]
    dome = _DOME if worst.advice and "dome" in point.point.lower() else ""
    return Finding(
        check=NAME,
        subject=point.point,
        verdict=worst.verdict,
        says=" ".join(told) if len(told) > 1 else worst.says,
        source=SOURCE,
        measured=worst.readings[-1].fact.data.pressure.shown() if worst.readings else None,
        required={"limit": point.limit.shown()},
        advice=(worst.advice + dome) or None,
        entries=tuple(reading.fact.id for answer in answers for reading in answer.readings)
        + tuple(period.handled[0].id for period in periods if period.handled),
    )


ZERO_PRESSURE = Check(
    NAME,
    "Zero at every point the procedure names, after isolation and before anything is loosened, in each period of work.",
    "measured: |p| + U ≤ limit, U = 2·u; or vented: vent open, |p| ≤ resolution/2; t_last − t_first ≥ hold",
    SOURCE,
    reads=frozenset(
        {
            "bank.isolated",
            "bank.restored",
            "part.fitted",
            "part.removed",
            "pressure.read",
            "rebuild.closed",
            "rebuild.opened",
        }
    ),
    run=check,
)
