"""Zero pressure: proven at every point the procedure names, after isolation and before anything is loosened.

A period of work is isolated by the last bank.isolated before its first part comes out or goes in (``zero_period``).
In it, at each point, the last reading before that part decides: it proves zero, refutes it or leaves it open
(``zero_reading``). Where a hold is asked, the proofs since the last refutation must span it: t_last − t_first ≥ hold.
An isolation that leaves no valve closed on record isolates nothing: then nothing is proven.
Limits and hold come from the procedure; the rule is common practice, no published source.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from service.checks.clock import clock, lapse, span
from service.checks.finding import COMMON_PRACTICE, FROM_MEMORY, WORST_FIRST, Check, Finding
from service.checks.job import Fact, Job
from service.checks.zero_period import Period, elsewhere, periods_to_prove, shut, without_lock
from service.checks.zero_reading import Alive, ZeroProof, ZeroReading, seen_alive, weigh
from service.entries.judgement import Verdict
from service.entries.procedure import ZeroPoint, ZeroPressure
from service.entries.work import BankIsolated, BankRestored, PressureRead

NAME = "zero_pressure"
SOURCE = f"limits: the procedure; rule: {COMMON_PRACTICE}; uncertainty: JCGM 100:2008 ({FROM_MEMORY})"
PROVEN_BY = ("bank.isolated", "bank.restored", "pressure.read")
"""Entry types that say when zero was proven."""
_PHASES = frozenset({"isolated", "during"})
_DOME = " A dome traps its loading gas while both gauges read zero: vent the dome too, and read it there."
_SEEK = "look for the valve that passes, and prove zero again."
_STOP = f"Loosen nothing further: vent, {_SEEK}"
_STOP_VENTED = f"Loosen nothing further. The vent is open and pressure is there: {_SEEK}"
_BELOW = "A gauge below its zero proves nothing: see where it stands on an open vent, or read one that is right."


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
    return job.recall((NAME, point), job.seen(*PROVEN_BY), lambda: _proven_at(job, point))


def _proven_at(job: Job, point: str | None) -> datetime | None:
    asked, alive = job.procedure.zero_pressure, seen_alive(job)
    points = {zero.point: zero for zero in asked.points if point in {None, zero.point}} if asked else {}
    isolated: datetime | None = None
    proofs = {name: ZeroProof(_hold(asked)) for name in points}
    isolations: list[Fact[BankIsolated]] = []
    for at, fact in _events(job):
        if not isinstance(fact.data, PressureRead):
            isolations = [*isolations, fact] if isinstance(fact.data, BankIsolated) else []
            isolated = at if shut(isolations) else None
            proofs = {name: ZeroProof(_hold(asked)) for name in points}
        elif isolated is not None and fact.data.point in points:
            reading = weigh(job, fact, points[fact.data.point], isolated, alive)
            if reading.bears:
                proofs[fact.data.point].take(reading)
            if all(proof.complete for proof in proofs.values()):
                return at
    return None


_Event = Fact[BankRestored] | Fact[BankIsolated] | Fact[PressureRead]


def _events(job: Job) -> list[tuple[datetime, _Event]]:
    """Of equal times, in this order: a bank restored and isolated in one minute is isolated."""
    reads = [fact for fact in job.facts.of(PressureRead) if fact.data.phase in _PHASES]
    events: list[_Event] = [*job.facts.of(BankRestored), *job.facts.of(BankIsolated), *reads]
    return sorted(((fact.at, fact) for fact in events), key=lambda event: event[0])


def _hold(asked: ZeroPressure | None) -> timedelta:
    return span(asked.hold) if asked and asked.hold else timedelta(0)


def _answer(job: Job, point: ZeroPoint, period: Period, alive: Alive) -> _Answer:
    if period.isolated is None:
        return _not_isolated(job, period)
    answer = _by_readings(job, point, period, alive)
    if answer.verdict == "nonconforming" or shut(period.before):
        return answer
    isolated = f"the isolation at {clock(job, period.isolated)} records no valve closed: it isolates nothing on record"
    says = f"{answer.says[:-1]}; but {isolated}."
    advice = "Record which valves were closed, and their locks; correct the entry of the isolation."
    return replace(answer, verdict="inconclusive", says=says, advice=" ".join(filter(None, (advice, answer.advice))))


def _by_readings(job: Job, point: ZeroPoint, period: Period, alive: Alive) -> _Answer:
    readings = list(_readings(job, point, period, alive))
    loosened = period.loosened
    if loosened is None:
        return _by_the_last(job, period, readings) if readings else _not_read(job, point, period, [])
    for reading in readings:
        if reading.standing == "refutes" and loosened <= reading.at <= period.handled[-1].at:
            return _refuted(reading, "Pressure was there while parts were being handled", (reading,))
    before = [reading for reading in readings if reading.at < loosened]
    return _by_the_last(job, period, before) if before else _not_read(job, point, period, readings)


def _readings(job: Job, point: ZeroPoint, period: Period, alive: Alive) -> Iterator[ZeroReading]:
    """What was read at the point from the isolation to the end of the period, as far as it bears on zero."""
    for fact in job.facts.of(PressureRead):
        if period.isolated is None or fact.at < period.isolated or (period.ends is not None and fact.at > period.ends):
            continue
        if fact.data.point == point.point and fact.data.phase in _PHASES:
            reading = weigh(job, fact, point, period.isolated, alive)
            if reading.bears:
                yield reading


def _refuted(last: ZeroReading, what: str, readings: tuple[ZeroReading, ...]) -> _Answer:
    """Pressure is there; or the gauge stands below its zero, which is no pressure and no zero either."""
    if last.fact.data.pressure.si < 0:
        return _Answer("nonconforming", f"The gauge stands below its zero: {last.says}.", _BELOW, readings)
    return _Answer(
        "nonconforming", f"{what}: {last.says}.", _STOP_VENTED if last.fact.data.vent_open else _STOP, readings
    )


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
        says = f"{loosened}, before the bank was isolated at {clock(job, period.isolations[0].at)}."
        return _Answer("nonconforming", says, advice)
    return _Answer("inconclusive", f"{loosened}; no bank.isolated is recorded.", advice)


def _not_read(job: Job, point: ZeroPoint, period: Period, later: list[ZeroReading]) -> _Answer:
    advice = f"Read the pressure at {point.point} after isolation and before anything is loosened."
    if period.loosened is None:
        return _Answer("inconclusive", f"No reading since the isolation.{elsewhere(job)}", advice)
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
    says = f"No reading between isolation and the first part at {loosened}."
    return _Answer("inconclusive", f"{says}{elsewhere(job)}", advice)


def _by_the_last(job: Job, period: Period, readings: list[ZeroReading]) -> _Answer:
    """The last reading decides; then the hold."""
    hold = _hold(job.procedure.zero_pressure)
    proof, last = ZeroProof(hold), readings[-1]
    for reading in readings:
        proof.take(reading)
    if last.standing == "refutes":
        rose = any(reading.standing == "proves" for reading in readings)
        what = "Pressure rose again, a valve passes" if rose else "Pressure was still there"
        return _refuted(last, what, tuple(readings))
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
    worst = min(answers, key=lambda answer: WORST_FIRST.index(answer.verdict))
    told = [
        f"Period {number}{f', isolated {clock(job, period.isolated)}' if period.isolated else ''}: {answer.says}"
        for number, (period, answer) in enumerate(zip(periods, answers, strict=True), 1)
    ]
    dome = _DOME if worst.advice and "dome" in point.point.lower() else ""
    advice = worst.advice + dome or without_lock(job, point, periods)
    return Finding(
        check=NAME,
        subject=point.point,
        verdict=worst.verdict,
        says=" ".join(told) if len(told) > 1 else worst.says,
        source=SOURCE,
        measured=worst.readings[-1].fact.data.pressure.shown() if worst.readings else None,
        required={"limit": point.limit.shown()},
        advice=advice or None,
        entries=tuple(reading.fact.id for answer in answers for reading in answer.readings)
        + tuple(period.handled[0].id for period in periods if period.handled),
    )


ZERO_PRESSURE = Check(
    NAME,
    "Zero at every point the procedure names, after isolation and before anything is loosened, in each period of work.",
    "measured: |p| + U ≤ limit, U = 2·u; or vented: vent open, p written 0; t_last − t_first ≥ hold",
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
