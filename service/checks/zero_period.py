"""Periods of work on a bank: each runs from one re-pressurisation to the next and needs its own proof of zero."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise

from service.checks.job import Fact, Job
from service.entries.once import once
from service.entries.procedure import ZeroPoint
from service.entries.work import BankIsolated, BankRestored, PartFitted, PartRemoved, PressureRead, Valve

Part = Fact[PartRemoved] | Fact[PartFitted]


@dataclass(frozen=True)
class Period:
    """From one bank.restored to the next; ``handled`` are the parts removed and fitted in it."""

    begins: datetime | None
    ends: datetime | None
    isolations: tuple[Fact[BankIsolated], ...]
    handled: tuple[Part, ...]

    @once
    def loosened(self) -> datetime | None:
        """When the first part came out or went in."""
        return self.handled[0].at if self.handled else None

    @once
    def before(self) -> tuple[Fact[BankIsolated], ...]:
        """The isolations before that."""
        return tuple(one for one in self.isolations if self.loosened is None or one.at <= self.loosened)

    @once
    def isolated(self) -> datetime | None:
        """The last of them."""
        return self.before[-1].at if self.before else None


def shut(isolations: Iterable[Fact[BankIsolated]]) -> list[Valve]:
    """The valves that these isolations leave closed; the last word on each holds."""
    last = {valve.valve: valve for isolation in isolations for valve in isolation.data.valves}
    return [valve for valve in last.values() if valve.state == "closed"]


def periods_to_prove(job: Job) -> list[Period]:
    """Every period with parts handled; while the job is open, also one in which that may still come."""
    periods = _periods(job)
    handled, last = [period for period in periods if period.handled], periods[-1]
    if job.closing is None and not last.handled and (last.isolated or not handled):
        return [*handled, last]
    isolated = [period for period in periods if period.isolated]
    return handled or isolated[-1:] or periods[:1]


def _periods(job: Job) -> list[Period]:
    parts: list[Part] = [*job.facts.of(PartRemoved), *job.facts.of(PartFitted)]
    parts.sort(key=lambda part: (part.at, part.id))
    isolations = job.facts.of(BankIsolated)
    edges = [None, *(fact.at for fact in job.facts.of(BankRestored)), None]
    return [
        Period(
            begins,
            ends,
            tuple(
                one for one in isolations if (begins is None or begins <= one.at) and (ends is None or one.at <= ends)
            ),
            # A part fitted in the minute in which the bank is restored belongs to the work before it.
            tuple(part for part in parts if (begins is None or begins < part.at) and (ends is None or part.at <= ends)),
        )
        for begins, ends in pairwise(edges)
    ]


def without_lock(job: Job, point: ZeroPoint, periods: Iterable[Period]) -> str:
    """Closed valves without a lock on record; told once, at the first point."""
    if job.procedure.zero_pressure is None or point != job.procedure.zero_pressure.points[0]:
        return ""
    open_to_all = dict.fromkeys(valve.valve for period in periods for valve in shut(period.before) if not valve.lock)
    return f"No lock is recorded on {', '.join(open_to_all)}: anybody could have opened it." if open_to_all else ""


def elsewhere(job: Job) -> str:
    """Readings at points that the procedure does not name: perhaps one was written down wrongly."""
    named = {point.point for point in job.procedure.zero_pressure.points} if job.procedure.zero_pressure else set()
    reads = (fact.data.point for fact in job.facts.of(PressureRead) if fact.data.phase == "isolated")
    unknown = [point for point in dict.fromkeys(reads) if point not in named]
    what = "points" if len(unknown) > 1 else "a point"
    return f" Readings are recorded at {', '.join(unknown)}, {what} the procedure does not name." if unknown else ""
