"""Soft goods were fitted while they might still be: cure date and polymer against the rule that the procedure names.

fitted ≤ last day of the cure quarter + life        calendar days, the duration clamped to the month's last day
    the cure quarter from the code on the bag (``service.checks.cure_date``: an ambiguous one is read as the earlier),
    the life from rule and polymer (``service.checks.shelf_life``).
Every new piece that is still in counts, the worst decides; which parts are judged, and by which rule, the kit says.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from typing import Any

from service.checks.clock import later
from service.checks.cure_date import readings
from service.checks.finding import COMMON_PRACTICE, Check, Finding, worst
from service.checks.job import Fact, Job
from service.checks.shelf_life import SOURCE as LIVES
from service.checks.shelf_life import Life, life_of, polymer_code
from service.entries.judgement import Verdict
from service.entries.procedure import KitPart
from service.entries.words import Duration
from service.entries.work import PartFitted, PartRemoved

NAME = "soft_goods_life"
SOURCE = f"rule: the procedure's; lives: {LIVES}; codes: {COMMON_PRACTICE}"
_ON_THE_BAG = "Look on the bag or in the lot's papers, and correct the entry."


def check(job: Job) -> Iterator[Finding]:
    """One finding for each part of the kit whose shelf life follows a rule."""
    kit = job.procedure.kit
    limited = [part for part in kit.parts if part.shelf_life] if kit else []
    if not limited:
        says = "The procedure names no rule of shelf life for any part."
        yield Finding(check=NAME, subject=NAME, verdict="not_applicable", says=says, source=SOURCE)
    for part in limited:
        fitted = _still_in(job, part)
        if fitted:
            yield worst(_piece(job, part, fact) for fact in fitted)
        else:
            yield _said(part, "not_applicable", "No new one was fitted.")


def _still_in(job: Job, part: KitPart) -> list[Fact[PartFitted]]:
    """The new pieces that may still be in: when all that were fitted came out again, those before it are gone."""
    names = {part.part, *part.substitutes}
    fitted = [fact for fact in job.facts.of(PartFitted) if fact.data.part in names and fact.data.new]
    if not fitted:
        return fitted
    removed = [fact for fact in job.facts.of(PartRemoved) if fact.data.part in names]
    if not removed or removed[-1].at < fitted[0].at:
        return fitted
    moved = [
        *((fact.at, fact.id, fact.data.quantity, fact) for fact in fitted),
        *((fact.at, fact.id, fact.data.quantity, None) for fact in removed),
    ]
    old, new, still = part.quantity, 0, list[Fact[PartFitted]]()
    for _, _, quantity, one in sorted(moved, key=lambda event: event[:2]):
        if one is not None:
            new, still = new + quantity, [*still, one]
        else:
            taken = min(old, quantity)  # old ones come out first
            old, new = old - taken, max(new - (quantity - taken), 0)
            still = still if new else []
    return still


def _piece(job: Job, part: KitPart, fact: Fact[PartFitted]) -> Finding:
    fitted, day = fact.data, job.day(fact.at)
    polymer = fitted.polymer or part.polymer
    said = f"{_what(fitted)} fitted {day}"
    if polymer is None:
        return _said(part, "inconclusive", f"{said}: of which polymer is not told.", _ON_THE_BAG, fact)
    if part.polymer and polymer_code(polymer) != polymer_code(part.polymer):
        says = f"{said}: it is {polymer}, where the procedure wants {part.polymer}."
        return _said(part, "nonconforming", says, "Fit one of the right polymer, or correct the entry.", fact)
    life = life_of(polymer, part.shelf_life or "")
    if isinstance(life, str):
        advice = "Publish a revision that names rule and polymer, or judge it by hand and note it."
        return _said(part, "inconclusive", f"{said}: {life}.", advice, fact)
    if life.years is None:
        return _said(part, "conforming", f"{said}; {life.rule}: unlimited.", None, fact)
    if fitted.cured is None:
        return _said(part, "inconclusive", f"{said}; {life.rule}: no cure date is recorded.", _ON_THE_BAG, fact)
    return _dated(part, fact, day, life, said)


def _dated(part: KitPart, fact: Fact[PartFitted], day: date, life: Life, said: str) -> Finding:
    meant = readings(fact.data.cured or "", day)
    if not meant:
        says = f"{said}; the cure date {fact.data.cured!r} cannot be read."
        return _said(part, "inconclusive", says, f"{_ON_THE_BAG} Write it as 2Q2024.", fact)
    quarter = meant[0]
    if quarter.first > day:
        says = f"{said}; cured {fact.data.cured}, which is later: one of the two dates is wrong."
        return _said(part, "inconclusive", says, _ON_THE_BAG, fact)
    good_to = later(quarter.last, Duration(f"P{life.years}Y"))
    other = f", or {meant[1]}: read as the earlier" if len(meant) > 1 else ""
    code = f"{fact.data.cured}" + (f" ({quarter}{other})" if other or str(quarter) != fact.data.cured else "")
    says = f"{said}, cured {code}; {life.rule}: {quarter.last} + P{life.years}Y = {good_to}"
    if day <= good_to:
        return _said(part, "conforming", f"{says}: in its life.", None, fact, good_to)
    longer = later(quarter.last, Duration(f"P{(life.years or 0) + life.extension}Y"))
    extended = (
        f" The rule lets it lie {life.extension} years more after inspection, to {longer}: that would be a concession."
        if life.extension and day <= longer
        else ""
    )
    says = f"{says}: {(day - good_to).days} days past its life."
    return _said(part, "nonconforming", says, f"Fit a fresh one.{extended}", fact, good_to)


def _what(fitted: PartFitted) -> str:
    return (f"{fitted.quantity} of lot {fitted.lot}" if fitted.lot else f"{fitted.quantity}") + " new"


def _said(
    part: KitPart,
    verdict: Verdict,
    says: str,
    advice: str | None = None,
    fact: Fact[PartFitted] | None = None,
    good_to: date | None = None,
) -> Finding:
    shown: dict[str, Any] = {"required": {"fitted_by": good_to.isoformat()}} if good_to else {}
    entries = (fact.id,) if fact else ()
    return Finding(
        check=NAME,
        subject=part.part,
        verdict=verdict,
        says=says,
        advice=advice,
        source=SOURCE,
        entries=entries,
        **shown,
    )


SOFT_GOODS_LIFE = Check(
    NAME,
    "Soft goods were fitted within their shelf life, by the rule the procedure names for the part.",
    "fitted ≤ last day of the cure quarter + life(rule, polymer)",
    SOURCE,
    reads=frozenset({"part.fitted", "part.removed"}),
    run=check,
)
