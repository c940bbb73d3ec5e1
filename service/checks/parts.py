"""Each part the kit replaces came out and a new one went in; each it reuses came out and went back in.

The record is followed piece by piece (``service.checks.pieces``): n_new new pieces in place, n_old old ones, against
the kit's quantity q. To replace: n_old = 0, n_new = q. To reuse: n_old + n_new = q, and nothing that came out worn,
damaged or missing went back; a new one in its place will do. Nothing is left in, nothing left out, and what is neither
in the kit nor a substitute it names does not belong there. The kit is the procedure's; common practice, no published
source.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial
from typing import NamedTuple

from service.checks.finding import COMMON_PRACTICE, Check, Finding
from service.checks.job import Fact, Job
from service.checks.pieces import Pieces, follow
from service.entries.judgement import Verdict
from service.entries.procedure import Kit, KitPart
from service.entries.work import PartFitted, PartRemoved

SOURCE = f"the procedure's kit; rule: {COMMON_PRACTICE}"
_finding = partial(Finding, check="parts", source=SOURCE)
_Moved = Fact[PartRemoved] | Fact[PartFitted]


class _Answer(NamedTuple):
    verdict: Verdict
    why: str
    advice: str | None = None


def check(job: Job) -> Iterator[Finding]:
    """One finding for the kit, one for each of its parts, one for each part recorded that is not in it."""
    kit = job.procedure.kit
    if kit is None:
        yield _finding(subject="parts", verdict="not_applicable", says="The procedure names no kit and no parts.")
        return
    yield _kit_used(job, kit)
    moved = _by_part(job, kit)
    for part in kit.parts:
        yield _part(job, part, moved.pop(part.part, []))
    for name, facts in moved.items():
        if name not in kit.substitutes:
            yield _finding(
                subject=name,
                verdict="nonconforming",
                says=f"{_history(facts)}: it is not in the kit, nor a substitute that the procedure names.",
                advice="Take it out if it is in; correct the part's name in the entry if it was written down wrongly.",
                entries=tuple(fact.id for fact in facts),
            )


PARTS = Check(
    "parts",
    "Every part the kit replaces is new, every part it reuses is back in, and nothing else went in.",
    "replace: n_old = 0 and n_new = q; reuse: n_old + n_new = q, none of them unfit",
    SOURCE,
    reads=frozenset({"part.fitted", "part.removed", "rebuild.closed", "rebuild.opened"}),
    run=check,
)


def _kit_used(job: Job, kit: Kit) -> Finding:
    opening = job.opening
    used = opening.data.kit if opening is not None else None
    entries = (opening.id,) if opening is not None else ()
    if used is None:
        says, advice = (
            f"The kit used is not told; the procedure wants {kit.number}.",
            "Correct the opening: name the kit.",
        )
        return _finding(subject="kit", verdict="inconclusive", says=says, advice=advice, entries=entries)
    if used == kit.number:
        return _finding(
            subject="kit", verdict="conforming", says=f"Kit {used}, as the procedure wants.", entries=entries
        )
    if used in kit.substitutes:
        says = f"Kit {used}, a substitute that the procedure names for {kit.number}."
        return _finding(subject="kit", verdict="conforming", says=says, entries=entries)
    return _finding(
        subject="kit",
        verdict="nonconforming",
        says=f"Kit {used}; the procedure wants {' or '.join((kit.number, *kit.substitutes))}.",
        advice="Correct the opening if the kit's number was written down wrongly.",
        entries=entries,
    )


def _by_part(job: Job, kit: Kit) -> dict[str, list[_Moved]]:
    """What was taken out and fitted, in the order it happened; a substitute under the kit part it stands for."""
    stands_for = {name: part.part for part in kit.parts for name in part.substitutes}
    stands_for |= {part.part: part.part for part in kit.parts}
    moved: dict[str, list[_Moved]] = {}
    facts: list[_Moved] = [*job.facts.of(PartRemoved), *job.facts.of(PartFitted)]
    for fact in sorted(facts, key=lambda fact: (fact.at, fact.id)):
        moved.setdefault(stands_for.get(fact.data.part, fact.data.part), []).append(fact)
    return moved


def _part(job: Job, part: KitPart, facts: Sequence[_Moved]) -> Finding:
    pieces = follow(part.quantity, facts)
    closed = job.state == "closed"
    answer = _replaced(pieces, closed=closed) if part.action == "replace" else _reused(pieces, closed=closed)
    dirty = any(
        isinstance(fact.data, PartFitted) and not fact.data.new and fact.data.cleaned is False for fact in facts
    )
    advice = [answer.advice, "It went back without having been cleaned." if dirty else None]
    return _finding(
        subject=part.part,
        verdict=answer.verdict,
        says=f"{part.quantity} to {part.action}; {_history(facts, part.part)}: {answer.why}.",
        advice=" ".join(sentence for sentence in advice if sentence) or None,
        entries=tuple(fact.id for fact in facts),
    )


def _replaced(pieces: Pieces, *, closed: bool) -> _Answer:
    if not pieces.moved:
        return _NOTHING_KNOWN
    if pieces.put_back:
        return _Answer("nonconforming", f"{pieces.put_back} old put back", "Take the old part out and fit a new one.")
    return _unfit_or_too_many(pieces) or _missing(pieces, closed=closed) or _Answer("conforming", "new in its place")


def _reused(pieces: Pieces, *, closed: bool) -> _Answer:
    if not pieces.moved:
        return _NOTHING_KNOWN
    if pieces.unexplained and not pieces.unfit:
        why = f"{pieces.unexplained} put back without having been taken out before"
        return _Answer("inconclusive", why, "Record that it was taken out, or correct the entry that is wrong.")
    return _unfit_or_too_many(pieces) or _missing(pieces, closed=closed) or _Answer("conforming", "back in its place")


_NOTHING_KNOWN = _Answer(
    "inconclusive", "neither taken out nor fitted by the record", "Record what was taken out and what was fitted."
)


def _unfit_or_too_many(pieces: Pieces) -> _Answer | None:
    """What is in place and should not be."""
    if pieces.unfit:
        why = f"{pieces.unfit} went back although taken out unfit"
        return _Answer("nonconforming", why, "Replace it with a new one.")
    if pieces.total <= pieces.quantity:
        return None
    why = f"{pieces.total} in place, where {pieces.quantity} belong"
    if pieces.untouched and pieces.new <= pieces.quantity:
        advice = "Look, and record that the old one was taken out if it was."
        return _Answer("inconclusive", f"{why} by the record: was the old one left in?", advice)
    return _Answer("nonconforming", why, "Correct the entry that stands twice, or take out what is too many.")


def _missing(pieces: Pieces, *, closed: bool) -> _Answer | None:
    """What is not in place, or not known to be what it should be."""
    lacking = pieces.quantity - pieces.total
    if lacking > 0:
        verdict: Verdict = "nonconforming" if closed else "inconclusive"
        why = f"{lacking} left out by the record" if closed else f"{lacking} not back in yet"
        return _Answer(verdict, why, "Record what was fitted; if nothing was, the part is missing from the regulator.")
    if pieces.untouched:
        why = f"{pieces.untouched} of {pieces.quantity} never taken out by the record"
        return _Answer("inconclusive", why, "Record what was taken out and what was fitted.")
    return None


def _history(facts: Sequence[_Moved], part: str | None = None) -> str:
    """``taken out 1 (worn), fitted new 1``; the name beside it where another stands for the part."""
    told = []
    for fact in facts:
        data = fact.data
        if isinstance(data, PartRemoved):
            words = f"taken out {data.quantity}" + (f" ({data.condition})" if data.condition else "")
        else:
            words = f"fitted new {data.quantity}" if data.new else f"put back {data.quantity}"
        told.append(words + (f" of {data.part}, its substitute" if part not in {None, data.part} else ""))
    return ", ".join(told) or "nothing recorded"
