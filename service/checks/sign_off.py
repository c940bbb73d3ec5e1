"""Sign-off: the rebuild is closed and, where the procedure asks, a second person stands by all of it.

A countersignature is valid when t(signed) ≥ t(closing), t(every fact), t(every correction), by when they happened and
never by when they arrived: it covers what is dated up to it. Its signer neither closed, nor belongs to the crew, nor
did or recorded any of the work (codes that differ in capitals alone are one person's); and, where the procedure wants
it, its credential recorded none of it. Notes, notices, concessions and other countersignatures are no work and want no
new signature. Common practice, no published source.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from typing import Literal, NamedTuple, cast

from pydantic import BaseModel

from service.checks.clock import clock
from service.checks.finding import COMMON_PRACTICE, EVERYTHING, Check, Finding, say
from service.checks.job import Fact, Job
from service.checks.stem_count import people, same_person
from service.entries.catalogue import ENTRY_TYPES
from service.entries.judgement import Verdict
from service.entries.procedure import Countersign
from service.entries.work import NoteAdded, RebuildClosed, RebuildCountersigned, TurnsCounted

NAME = "sign_off"
SOURCE = f"asked for: the procedure; rule: {COMMON_PRACTICE}"
_said = partial(say, NAME, SOURCE)
_FRAME = frozenset({"rebuild.opened", "rebuild.closed"})
"""Facts about the rebuild as a whole: who opened it may be the one who authorises it, and did no work by that."""
_AFTERWARDS = frozenset(name for name, row in ENTRY_TYPES.items() if row.after_closing)


class _Fault(NamedTuple):
    """Why a countersignature does not hold: the wrong person, too early, or something that is not known."""

    kind: Literal["who", "when", "unknown"]
    says: str


def check(job: Job) -> Iterator[Finding]:
    """The closing, and the countersignature where one is asked for."""
    yield _closing(job)
    if job.procedure.countersign is not None:
        yield _countersignature(job, job.procedure.countersign)


def _closing(job: Job) -> Finding:
    closing = job.closing
    if closing is None:
        return _said("closing", "inconclusive", "The rebuild is not closed.", "Close it when the work is done.")
    says = f"Closed {clock(job, closing.at)}, {closing.data.outcome.replace('_', ' ')}{_by(closing)}"
    afterwards = [fact for fact in _recorded(job) if fact.at > closing.at]
    if not afterwards:
        return _said("closing", "conforming", f"{says}.", None, [closing.id])
    first = f"{afterwards[0].type} at {clock(job, afterwards[0].at)}"
    says = f"{says}; {len(afterwards)} recorded as happening after it, first {first}."
    advice = "If it happened before the closing, correct its time; if after, it belongs to a new rebuild."
    return _said("closing", "inconclusive", says, advice, [closing.id, *(fact.id for fact in afterwards)])


def _countersignature(job: Job, asked: Countersign) -> Finding:
    closing, signed = job.closing, job.facts.of(RebuildCountersigned)
    token = ", with their own credential" if asked.own_credential else ""
    wanted = f"Have somebody outside the crew, who did no work, countersign what is recorded{token}."
    if closing is None:
        return _said("countersignature", "inconclusive", "Not closed yet: there is nothing to countersign.", wanted)
    if not signed:
        return _said("countersignature", "inconclusive", "No countersignature is recorded.", wanted)
    faults = [_fault(job, asked, closing, signature) for signature in signed]
    for signature, fault in zip(signed, faults, strict=True):
        if fault is None:
            says = f"Countersigned {clock(job, signature.at)}{_by(signature)} ({signature.data.role})"
            covers = f"{says}; it covers what is dated up to then."
            return _said("countersignature", "conforming", covers, None, [signature.id])
    told = [
        f"{clock(job, signature.at)}{_by(signature)}: {fault.says}."
        for signature, fault in zip(signed, faults, strict=True)
        if fault
    ]
    wrong_people = all(fault is not None and fault.kind == "who" for fault in faults)
    verdict: Verdict = "nonconforming" if wrong_people else "inconclusive"
    return _said("countersignature", verdict, " ".join(told), wanted, [signature.id for signature in signed])


def _fault(
    job: Job, asked: Countersign, closing: Fact[RebuildClosed], signature: Fact[RebuildCountersigned]
) -> _Fault | None:
    """Who first: somebody who did the work does not become another person by signing later."""
    return (
        _wrong_person(job, closing, signature)
        or (_shared_credential(job, signature) if asked.own_credential else None)
        or _too_early(job, closing, signature)
    )


def _wrong_person(job: Job, closing: Fact[RebuildClosed], signature: Fact[RebuildCountersigned]) -> _Fault | None:
    if signature.by is None:
        return _Fault("unknown", "it does not say by whom")
    if same_person(signature.by, closing.by):
        return _Fault("who", "the person who closed the rebuild")
    if any(same_person(signature.by, one) for one in _crew(job)):
        return _Fault("who", "one of the crew")
    if work := [fact for fact in _recorded(job) if fact.type not in _FRAME and _had_a_hand(signature.by, fact)]:
        return _Fault("who", f"did some of the work ({work[0].type} at {clock(job, work[0].at)})")
    if closing.by is None:
        return _Fault("unknown", "the closing does not say by whom, so this may be the same person")
    return None


def _crew(job: Job) -> set[str]:
    """Everybody who belonged to it: those it was opened with, and those a note hands it over to."""
    opened_with = job.opening.data.crew if job.opening is not None else ()
    return {*opened_with, *(person for note in job.facts.of(NoteAdded) for person in note.data.crew)}


def _had_a_hand(person: str, fact: Fact[BaseModel]) -> bool:
    """Who recorded it, and who it says did it: somebody else may have held the tablet."""
    named = people(cast("Fact[TurnsCounted]", fact)) if isinstance(fact.data, TurnsCounted) else ()
    return any(same_person(person, one) for one in (fact.by, *named))


def _shared_credential(job: Job, signature: Fact[RebuildCountersigned]) -> _Fault | None:
    if signature.credential is None:
        return _Fault("unknown", "its credential is not known")
    if signature.credential in {fact.credential for fact in _recorded(job)}:
        return _Fault("who", "with a credential that recorded the work too")
    return None


def _too_early(job: Job, closing: Fact[RebuildClosed], signature: Fact[RebuildCountersigned]) -> _Fault | None:
    if signature.at < closing.at:
        return _Fault("when", f"before the closing at {clock(job, closing.at)}")
    for fact in (*_recorded(job), *job.corrections):
        if fact.at > signature.at:
            return _Fault("when", f"before the {fact.type} of {clock(job, fact.at)}, which it does not cover")
    return None


def _recorded(job: Job) -> list[Fact[BaseModel]]:
    """What a signature covers: all but what may well follow it (notices, notes, concessions, countersignatures)."""
    return job.recall(
        (NAME, "recorded"), [job.facts], lambda: [fact for fact in job.facts if fact.type not in _AFTERWARDS]
    )


def _by(fact: Fact[BaseModel]) -> str:
    return f" by {fact.by}" if fact.by else ""


SIGN_OFF = Check(
    NAME,
    "Closed; countersigned where asked by another person, outside the crew, over all that is dated up to then.",
    "t(signed) ≥ t(closing), every fact, every correction; signer ∉ {closer, crew, who did the work}",
    SOURCE,
    reads=EVERYTHING,
    run=check,
)
