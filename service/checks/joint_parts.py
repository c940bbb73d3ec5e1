"""The parts that make a joint: when it got a new one, and when it was opened after it was tightened.

A part of the kit belongs to a joint where the procedure says so. A new one makes the joint anew: torques from before it
speak of a joint that is no longer there. Taken out or put back, it opens the joint: what was tightened before is
tightened no more. Equal times prove no order and pass. Common practice, no published source.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from service.checks.job import Fact, Job
from service.entries.procedure import Joint
from service.entries.work import PartFitted, PartRemoved, TorqueApplied

Handled = Fact[PartRemoved] | Fact[PartFitted]


def own_parts(job: Job, joint: Joint) -> list[str]:
    """The kit's parts that make the joint, and what may stand for them."""
    parts = job.procedure.kit.parts if job.procedure.kit else ()
    return [name for part in parts if part.joint == joint.joint for name in (part.part, *part.substitutes)]


def renewed(job: Job, joint: Joint) -> Fact[PartFitted] | None:
    """The last new part that the joint got."""
    own = own_parts(job, joint)
    fitted = [fact for fact in job.facts.of(PartFitted) if fact.data.new and fact.data.part in own]
    return fitted[-1] if fitted else None


def since_new_part(job: Job, joint: Joint, applied: Sequence[Fact[TorqueApplied]]) -> list[Fact[TorqueApplied]]:
    """The torques that speak of the joint as it is: none from before its last new part."""
    last = renewed(job, joint)
    return [fact for fact in applied if last is None or fact.at >= last.at]


def opened_after(job: Job, joint: Joint, at: datetime) -> Handled | None:
    """The first of its parts that was taken out or put back after that time."""
    own = own_parts(job, joint)
    handled: list[Handled] = [*job.facts.of(PartRemoved), *job.facts.of(PartFitted)]
    later = [fact for fact in handled if fact.data.part in own and fact.at > at]
    return min(later, key=lambda fact: (fact.at, fact.id), default=None)
