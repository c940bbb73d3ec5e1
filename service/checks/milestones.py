"""Milestones of a rebuild: when one was complete, and when it first happened at all.

A milestone is an entry type, with its subject where one is meant (``torque.applied:seat``), or ``zero_pressure``.
Without a subject, what a procedure lists (joints, parts, sections, functions) is complete when all of it was done once.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from operator import attrgetter

from pydantic import BaseModel

from service.checks.job import Fact, Job
from service.checks.stem_count import people
from service.checks.zero_pressure import proven_at
from service.entries import work


@dataclass(frozen=True, slots=True)
class Reached:
    """When, on which entries it rests, and what is missing where it was not reached."""

    at: datetime | None = None
    entries: tuple[str, ...] = ()
    missing: str = ""


_SUBJECT = {
    "turns.counted": "direction",
    "torque.applied": "joint",
    "part.removed": "part",
    "part.fitted": "part",
    "pressure.read": "phase",
    "leak.tested": "root.section",
    "lockup.tested": "section",
    "function.tested": "test",
    "step.done": "step",
    "notice.given": "when",
    "setting.adjusted": "flow",
    "lubricant.applied": "lubricant",
    "rebuild.opened": "reason",
    "rebuild.closed": "outcome",
}
"""Where each entry type keeps what a milestone may name after it. The others have none: any of them will do."""


def complete(job: Job, milestone: str) -> Reached:
    """The first time at which all of it was done."""
    kind, _, subject = milestone.partition(":")
    if kind == "zero_pressure":
        return _zero(job, subject)
    if kind == "turns.counted":
        return _counted(job, subject)
    listed = [] if subject else _listed(job, kind)
    if not listed:
        return first(job, milestone)
    firsts = {name: next(_matching(job, kind, name), None) for name in listed}
    if missing := [name for name, fact in firsts.items() if fact is None]:
        return Reached(missing=f"no {kind} recorded for {', '.join(missing)}")
    last = max((fact for fact in firsts.values() if fact is not None), key=lambda fact: (fact.at, fact.id))
    return Reached(last.at, (last.id,))


def first(job: Job, milestone: str) -> Reached:
    """The first time at which any of it was done."""
    kind, _, subject = milestone.partition(":")
    if kind == "zero_pressure":
        return _zero(job, subject)
    fact = next(_matching(job, kind, subject), None)
    return Reached(fact.at, (fact.id,)) if fact else Reached(missing=f"no {milestone} recorded")


def _matching(job: Job, kind: str, subject: str) -> Iterator[Fact[BaseModel]]:
    """Facts of that type and subject; a torque before the final one is no milestone."""
    names = {subject, *_substitutes(job, subject)} if kind in {"part.removed", "part.fitted"} else {subject}
    for fact in job.facts.of_type(kind):
        if isinstance(fact.data, work.TorqueApplied) and fact.data.stage != "final":
            continue
        if not subject or kind not in _SUBJECT or str(attrgetter(_SUBJECT[kind])(fact.data)) in names:
            yield fact


def _substitutes(job: Job, part: str) -> tuple[str, ...]:
    kit = job.procedure.kit
    return next((listed.substitutes for listed in kit.parts if listed.part == part), ()) if kit else ()


def _listed(job: Job, kind: str) -> list[str]:
    """What the procedure lists for an entry type: all of it makes the milestone complete."""
    procedure = job.procedure
    match kind:
        case "torque.applied":
            return [joint.joint for joint in procedure.joints]
        case "part.removed" | "part.fitted":
            return [part.part for part in procedure.kit.parts] if procedure.kit else []
        case "leak.tested":
            return list(procedure.leak_test.sections) if procedure.leak_test else []
        case "function.tested":
            return list(procedure.functions)
    return []


def _zero(job: Job, point: str) -> Reached:
    at = proven_at(job, point or None)
    return Reached(at) if at else Reached(missing=f"zero pressure not proven at {point or 'every point'}")


def _counted(job: Job, direction: str) -> Reached:
    """Complete with the count that brings the distinct counters of one direction to the number wanted."""
    wanted = job.procedure.turns.counters if job.procedure.turns else 1
    counters: dict[str, set[str]] = {"out": set(), "in": set()}
    for fact in job.facts.of(work.TurnsCounted):
        if direction in {"", fact.data.direction}:
            counted = counters[fact.data.direction]
            counted.update(map(str.casefold, people(fact) or ("",)))
            if len(counted) >= wanted:
                return Reached(fact.at, (fact.id,))
    most = max(len(counted) for counted in counters.values())
    return Reached(missing=f"{most} of {wanted} counters have counted" + (f" {direction}" if direction else ""))
