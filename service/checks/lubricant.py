"""The parts that need a lubricant got one that the procedure names, in date, fit for oxygen where the gas demands it.

name ∈ named, capitals aside; day of use ≤ expiry; every part that the procedure lists.
Oil and grease ignite in oxygen and nitrous oxide (ASTM G63, from memory): there the procedure has to say that what it
names is compatible; a perfluorinated grease, or one with oxygen in its name, is taken as such. Common practice, no
published source.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial

from service.checks.finding import COMMON_PRACTICE, FROM_MEMORY, Check, Finding, say, worst
from service.checks.job import Fact, Job
from service.entries.judgement import Verdict
from service.entries.procedure import Lubricant
from service.entries.work import LubricantApplied

NAME = "lubricant"
SOURCE = f"names and parts: the procedure; oxygen: ASTM G63 ({FROM_MEMORY}); rule: {COMMON_PRACTICE}"
_said = partial(say, NAME, SOURCE)
_OXIDISERS = ("oxygen", "nitrous")
_BY_NAME = ("pfpe", "perfluor", "oxygen")


def check(job: Job) -> Iterator[Finding]:
    """One finding for each part that needs it; where the procedure lists none, one for the lubricant."""
    asked = job.procedure.lubricant
    if asked is None:
        says = "The procedure names no lubricant."
        yield Finding(check=NAME, subject=NAME, verdict="not_applicable", says=says, source=SOURCE)
        return
    applied = job.facts.of(LubricantApplied)
    if not asked.on:
        yield _part(job, asked, NAME, applied, applied)
    listed: set[str] = set()
    for part in asked.on:
        names = {part, *_substitutes(job, part)}
        listed |= names
        yield _part(job, asked, part, [fact for fact in applied if names.intersection(fact.data.on)], applied)
    elsewhere: dict[str, list[Finding]] = {}
    for fact in applied if asked.on else ():
        if listed.isdisjoint(fact.data.on):
            where = fact.data.on[0] if fact.data.on else NAME
            elsewhere.setdefault(where, []).append(_one(job, asked, where, fact))
    for findings in elsewhere.values():  # where it was not asked for, only what is wrong is of interest
        if (finding := worst(findings)).verdict == "nonconforming":
            yield finding


def _substitutes(job: Job, part: str) -> tuple[str, ...]:
    kit = job.procedure.kit
    return next((listed.substitutes for listed in kit.parts if listed.part == part), ()) if kit else ()


def _part(
    job: Job,
    asked: Lubricant,
    part: str,
    on_it: Sequence[Fact[LubricantApplied]],
    applied: Sequence[Fact[LubricantApplied]],
) -> Finding:
    """What was put on one part; the worst of it decides."""
    if on_it:
        return worst(_one(job, asked, part, fact) for fact in on_it)
    on_which = "" if part == NAME else " on it"
    advice = "Record lubricant.applied with its lot and expiry, and on which parts."
    if nowhere := [fact for fact in applied if not fact.data.on]:
        says = f"{_written(nowhere[-1])} was applied, but on which parts is not told."
        return _said(part, "inconclusive", says, "Correct the entry: on which parts.", entries=(nowhere[-1].id,))
    return _said(part, "inconclusive", f"No lubricant is recorded{on_which}.", advice)


def _one(job: Job, asked: Lubricant, part: str, fact: Fact[LubricantApplied]) -> Finding:
    used, day = fact.data, job.day(fact.at)
    said, entries = f"{_written(fact)} applied {day}", (fact.id,)
    if used.lubricant.casefold() not in {name.casefold() for name in asked.named}:
        says = f"{said}: the procedure names {' or '.join(asked.named)}."
        return _said(part, "nonconforming", says, "Clean it off and use one that is named.", entries=entries)
    if used.expires is not None and used.expires.date < day:
        says = f"{said}: expired {used.expires}, {(day - used.expires.date).days} days before."
        return _said(part, "nonconforming", says, "Clean it off and use one in date.", entries=entries)
    fit, why, advice = _fit_for(job.register.gas, asked, used.lubricant)
    if fit == "nonconforming":
        return _said(part, fit, f"{said}: {why}.", advice, entries=entries)
    if used.expires is None:
        says = f"{said}: named by the procedure; when it expires is not told{why and f'; {why}'}."
        return _said(part, "inconclusive", says, "Correct the entry: the date on the container.", entries=entries)
    says = f"{said}: named by the procedure, in date to {used.expires}{why and f'; {why}'}."
    return _said(part, fit, says, advice, entries=entries)


def _fit_for(gas: str, asked: Lubricant, name: str) -> tuple[Verdict, str, str | None]:
    """Fit for the gas, why, and what would settle it."""
    if not any(word in gas for word in _OXIDISERS):
        return "conforming", "", None
    said = gas.replace("_", " ")
    if asked.oxygen_compatible:
        return "conforming", f"compatible with oxygen by the procedure ({said})", None
    if asked.oxygen_compatible is False:
        why = f"not compatible with oxygen by the procedure, and this is {said}"
        return "nonconforming", why, "Clean it off, every trace, before any oxygen comes near it."
    if any(word in name.casefold() for word in _BY_NAME):
        return "conforming", f"compatible with oxygen by its name ({said})", None
    why = f"whether it is compatible with oxygen is not told, and this is {said}"
    return "inconclusive", why, "Publish a revision that says whether the lubricants named are compatible with oxygen."


def _written(fact: Fact[LubricantApplied]) -> str:
    return fact.data.lubricant + (f", lot {fact.data.lot}," if fact.data.lot else "")


LUBRICANT = Check(
    NAME,
    "Each part that needs it got a lubricant the procedure names, in date, fit for oxygen where the gas demands it.",
    "name ∈ named; day of use ≤ expiry; every part listed",
    SOURCE,
    reads=frozenset({"lubricant.applied"}),
    run=check,
)
