"""Does the procedure fit the asset, and is all of the work recorded for the asset that was opened?

kind of the asset ∈ kinds the procedure applies to; a procedure that names none fits anything. Work that names another
asset (torques, parts, turns, lubricant, settings, lock-up) proves nothing about this one: open until it is put right.
Tests and pressures as left may name the manifold above; isolating, restoring and readings meanwhile may be about the
bank or its companion. Common practice, no published source.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from pydantic import BaseModel

from service.checks.clock import clock
from service.checks.finding import COMMON_PRACTICE, Check, Finding
from service.checks.job import Fact, Job
from service.entries.work import PressureRead

NAME = "applicability"
SOURCE = f"applies to: the procedure; kind: the register; rule: {COMMON_PRACTICE}"
_WORK = frozenset(
    {
        "torque.applied",
        "part.removed",
        "part.fitted",
        "turns.counted",
        "lubricant.applied",
        "setting.adjusted",
        "lockup.tested",
    }
)
_PROOF = frozenset({"leak.tested", "pressure.read"})
_finding = partial(Finding, check=NAME, subject="asset", source=SOURCE)


def check(job: Job) -> Iterator[Finding]:
    """One finding about the asset of the opening."""
    if job.opening is None:
        yield _finding(verdict="not_applicable", says="Not opened: which asset it is about is not known.")
        return
    opening, code, kinds = job.opening, job.procedure.code, job.procedure.applies_to
    kind, strangers = job.register.kind, _strangers(job)
    entries = (opening.id, *(fact.id for fact in strangers))
    fits = f"{code} is for {_listed(kinds)}, and {opening.asset} is one" if kinds else f"{code} names no kind of asset"
    if kinds and kind not in kinds:
        says = f"{code} is for {_listed(kinds)}; {opening.asset} is {_listed((kind,))}.{_told(job, strangers)}"
        advice = "Correct the opening if the wrong procedure was named; else rebuild it by one that is for it."
        yield _finding(verdict="nonconforming", says=says, advice=advice, entries=entries)
    elif strangers:
        says = f"{fits}.{_told(job, strangers)}"
        advice = "Withdraw what was done elsewhere and record it there; if it was done here, record it for this asset."
        yield _finding(verdict="inconclusive", says=says, advice=advice, entries=entries)
    else:
        says = f"{fits}; all work is recorded for {opening.asset}."
        yield _finding(verdict="conforming" if kinds else "not_applicable", says=says, entries=entries)


def _strangers(job: Job) -> list[Fact[BaseModel]]:
    """Work and proofs that say they are about another asset."""
    own = job.opening.asset if job.opening else None
    here = {own, job.register.parent}
    work = [fact for fact in job.facts.of_type(*_WORK) if fact.asset != own]
    proofs = [fact for fact in job.facts.of_type(*_PROOF) if fact.asset not in here and _proves(fact)]
    return [*work, *proofs]


def _proves(fact: Fact[BaseModel]) -> bool:
    return not isinstance(fact.data, PressureRead) or fact.data.phase == "as_left"


def _told(job: Job, strangers: list[Fact[BaseModel]]) -> str:
    told = [f"{fact.type} at {clock(job, fact.at)} is recorded for {fact.asset}" for fact in strangers[:3]]
    more = f", and {len(strangers) - 3} more" if len(strangers) > 3 else ""
    return f" But {', '.join(told)}{more}." if told else ""


def _listed(kinds: tuple[str, ...]) -> str:
    return " or ".join(f"{'an' if kind[0] in 'aeio' else 'a'} {kind.replace('_', ' ')}" for kind in kinds)


APPLICABILITY = Check(
    NAME,
    "The procedure is for this kind of asset, and all work is recorded for the asset that was opened.",
    "kind ∈ applies to; asset of the work = asset of the opening",
    SOURCE,
    reads=_WORK | _PROOF | {"rebuild.opened"},
    run=check,
)
