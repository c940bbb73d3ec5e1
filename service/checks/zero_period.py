"""Periods of work on a bank: each runs from one re-pressurisation to the next and needs its own proof of zero."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise

from service.checks.job import Fact, Job
from service.entries.once import once
from service.entries.work import BankIsolated, BankRestored, PartFitted, PartRemoved

Part = Fact[PartRemoved] | Fact[PartFitted]


@dataclass(frozen=True)
class Period:
    """From one bank.restored to the next; ``handled`` are the parts removed and fitted in it."""

    begins: datetime | None
    ends: datetime | None
    isolations: tuple[datetime, ...]
    handled: tuple[Part, ...]

    @once
    def loosened(self) -> datetime | None:
        """When the first part came out or went in."""
        return self.handled[0].at if self.handled else None

    @once
    def isolated(self) -> datetime | None:
        """The last isolation before that."""
        before = [at for at in self.isolations if self.loosened is None or at <= self.loosened]
        return before[-1] if before else None


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
    isolations = [fact.at for fact in job.facts.of(BankIsolated)]
    edges = [None, *(fact.at for fact in job.facts.of(BankRestored)), None]
    return [
        Period(
            begins,
            ends,
            tuple(at for at in isolations if (begins is None or begins <= at) and (ends is None or at <= ends)),
            # A part fitted in the minute in which the bank is restored belongs to the work before it.
            tuple(part for part in parts if (begins is None or begins < part.at) and (ends is None or part.at <= ends)),
        )
        for begins, ends in pairwise(edges)
    ]
