"""Each joint tightened within its band, whatever unit and extension it was tightened with; none ever over it.

The torque indicated is corrected for the tool's calibration error and the extension (``service.checks.torque_tool``)
and judged against the joint's band with the probability of conformity (``service.checks.conformity``): formulas and
sources stand there. Rules of the trade besides, common practice, no published source:

- The last final torque on a joint decides; an intermediate one below the band is no fault.
- A joint taken over its band at any stage may have crushed its seat: it stays nonconforming until it gets a new part.
- A joint opened after its last final torque is not tightened (``service.checks.joint_parts``).
- A number out of the band as written and in it in another unit is named as a likely slip of the unit.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial

from service.checks import conformity, torque_tool
from service.checks.clock import clock
from service.checks.finding import COMMON_PRACTICE, Check, Finding
from service.checks.instrument_kind import not_a
from service.checks.job import Fact, Job
from service.checks.joint_parts import Handled, opened_after, own_parts, renewed, since_new_part
from service.checks.torque_tool import Undone, Worked, work_out
from service.checks.torque_words import advice, against, sentences, sureness, unit_slip
from service.entries.instrument import TorqueTool
from service.entries.judgement import Verdict
from service.entries.procedure import Joint
from service.entries.work import PartRemoved, TorqueApplied

SOURCE = (
    f"{conformity.DECISION_SOURCE}; {torque_tool.CLASS_SOURCE}; extension: {torque_tool.EXTENSION_SOURCE}; "
    f"which torque decides, and the slip of a unit: {COMMON_PRACTICE}"
)
_PARTS = ("part.fitted", "part.removed", "rebuild.opened")
"""What a joint's torque hangs on besides the torques."""
_finding = partial(Finding, check="torque", source=SOURCE)


def check(job: Job) -> Iterator[Finding]:
    """One finding for each joint of the procedure, and one for each joint recorded that it does not know."""
    if not job.procedure.joints:
        yield _finding(subject="torque", verdict="not_applicable", says="The procedure gives no torques.")
        return
    applied: dict[str, list[Fact[TorqueApplied]]] = {joint.joint: [] for joint in job.procedure.joints}
    for fact in job.facts.of(TorqueApplied):
        applied.setdefault(fact.data.joint, []).append(fact)
    for joint in job.procedure.joints:
        of_it = applied.pop(joint.joint)
        seen = [*job.seen(*_PARTS), *of_it]
        yield job.recall(("torque", joint.joint), seen, partial(_joint, job, joint, of_it))
    for name, facts in applied.items():
        yield _finding(
            subject=name,
            verdict="inconclusive",
            says=f"{_written(facts)} recorded: the procedure gives no torque for it.",
            advice="Correct the joint's name in the entry if it was written down wrongly.",
            entries=_ids(facts),
        )


TORQUE = Check(
    "torque",
    "Each joint's torque, corrected for calibration error and extension, is inside its band; none was ever over it.",
    "y = indicated / (1 + e) × (L + E·cos θ) / L; p = Φ((T_U − y)/u) − Φ((T_L − y)/u)",
    SOURCE,
    reads=frozenset({*_PARTS, "torque.applied"}),
    run=check,
)


def _joint(job: Job, joint: Joint, applied: Sequence[Fact[TorqueApplied]]) -> Finding:
    if two := conformity.two_torques(joint):
        return _open(joint, two, "Publish a revision of the procedure that prints one torque, and go by that.", applied)
    standing = since_new_part(job, joint, applied)
    weighed = _weighed(job, joint, standing)
    done = [one for one, _ in weighed]
    over = [one for one, is_over in weighed if is_over and isinstance(one, Worked)]
    if over:
        return _over_torqued(job, joint, max(over, key=lambda one: one.y), standing)
    finals = [one for one in done if one.fact.data.stage == "final"]
    if not finals:
        return _not_tightened(joint, applied, standing)
    if opened := opened_after(job, joint, finals[-1].fact.at):
        return _opened(job, joint, finals[-1].fact, opened)
    if isinstance(finals[-1], Undone):
        return _cannot_tell(job, joint, finals[-1])
    finding = _mended(job, joint, applied, _judged(job, joint, finals[-1]))
    doubt = next((one for one, is_over in weighed if is_over is None), None)
    if finding.verdict != "conforming" or doubt is None:
        return finding
    return _doubted(job, finding, joint, doubt)


def _weighed(
    job: Job, joint: Joint, standing: Sequence[Fact[TorqueApplied]]
) -> list[tuple[Worked | Undone, bool | None]]:
    """Each torque worked out, and whether it was over the band (None where that cannot be told); once for each."""
    known: dict[str, tuple[Worked | Undone, bool | None]] = job.recall(("torques", joint.joint), job.seen(), dict)
    for fact in standing:
        if fact.id not in known or known[fact.id][0].fact is not fact:
            one = work_out(job, fact)
            known[fact.id] = one, _is_over(joint, one)
    return [known[fact.id] for fact in standing]


def _is_over(joint: Joint, one: Worked | Undone) -> bool | None:
    return None if isinstance(one, Undone) else conformity.is_over(joint, one.y, one.u, conformity.band_of(joint))


def _judged(job: Job, joint: Joint, one: Worked, verdict: Verdict | None = None) -> Finding:
    """One torque against the band, with all its arithmetic."""
    band, torque = conformity.band_of(joint), one.fact.data.torque
    verdict = verdict or conformity.decide(joint, one.y, one.u, band)
    p = None if one.u is None else conformity.probability(one.y, one.u, band)
    unknown = not_a(TorqueTool, job, one.fact.data.instrument)
    return _finding(
        subject=joint.joint,
        verdict=verdict,
        measured={"value": torque.value, "unit": torque.code, "si": {"value": one.y_shown, "unit": "N.m"}},
        required=conformity.required(joint),
        probability=None if p is None else f"{p:.4f}",
        says=f"{against(joint, one)}{sureness(job, joint, one, p)}{f'; {unknown}' if unknown else ''}.",
        advice=advice(job, joint, one, verdict),
        entries=(one.fact.id,),
    )


def _over_torqued(job: Job, joint: Joint, worst: Worked, standing: Sequence[Fact[TorqueApplied]]) -> Finding:
    """Over its band once is nonconforming until the joint gets a new part, whatever was applied afterwards."""
    finding = _judged(job, joint, worst, "nonconforming")
    later = [fact for fact in standing if (fact.at, fact.id) > (worst.fact.at, worst.fact.id)]
    after = f" {_written(later)} applied afterwards." if later else ""
    own = " or ".join(own_parts(job, joint))
    mend = f"Take the old part ({own}) out on record, fit a new one and tighten the joint again." if own else _NO_PART
    return finding._replace(
        says=f"{finding.says} Over its band, even once, it stays nonconforming until the joint gets a new part.{after}",
        advice=sentences(unit_slip(joint, worst), mend),
        entries=(*finding.entries, *_ids(later)),
    )


_NO_PART = (
    "The kit names no part of this joint, so no entry can show it made anew. Replace what was over-torqued, tighten "
    "the joint again and note it; the finding can be accepted (finding.accepted), and a revision can name the part."
)


def _mended(job: Job, joint: Joint, applied: Sequence[Fact[TorqueApplied]], finding: Finding) -> Finding:
    """A joint that was over its band and got a new part says so."""
    new = renewed(job, joint)
    before = [work_out(job, fact) for fact in applied if new is not None and fact.at < new.at]
    over = [one for one in before if isinstance(one, Worked) and _is_over(joint, one)]
    if new is None or not over:
        return finding
    worst = max(over, key=lambda one: one.y)
    was = f"It was over its band before ({worst.y_shown} N.m at {clock(job, worst.fact.at)})"
    says = f"{finding.says} {was} and got a new part at {clock(job, new.at)}: {new.data.part}."
    return finding._replace(says=says, entries=(*finding.entries, worst.fact.id, new.id))


def _opened(job: Job, joint: Joint, torque: Fact[TorqueApplied], opened: Handled) -> Finding:
    how = "taken out" if isinstance(opened.data, PartRemoved) else "fitted"
    then, since = clock(job, torque.at), clock(job, opened.at)
    says = (
        f"{torque.data.torque} at {then}, but {opened.data.part} was {how} at {since}: "
        f"not tightened since the joint was opened; {conformity.band_words(joint)}."
    )
    mend = "Tighten the joint to its torque and record it; correct the time that is wrong if it was tightened last."
    finding = _open(joint, says, mend, [torque])
    return finding._replace(entries=(torque.id, opened.id))


def _not_tightened(
    joint: Joint, applied: Sequence[Fact[TorqueApplied]], standing: Sequence[Fact[TorqueApplied]]
) -> Finding:
    if standing:
        says = f"No final torque recorded, only {_written(standing)} at an intermediate stage"
    elif applied:
        says = f"No torque recorded since the joint got a new part, only {_written(applied)} before it"
    else:
        says = "No torque recorded"
    says = f"{says}; {conformity.band_words(joint)}."
    return _open(joint, says, "Tighten the joint to its torque and record it.", applied)


def _cannot_tell(job: Job, joint: Joint, one: Undone) -> Finding:
    unknown = not_a(TorqueTool, job, one.fact.data.instrument)
    why = f"{one.because.why}{f' ({unknown})' if unknown else ''}"
    says = f"{one.fact.data.torque} indicated, but {why}; {conformity.band_words(joint)}."
    return _open(joint, says, one.because.advice, [one.fact])


def _doubted(job: Job, finding: Finding, joint: Joint, doubt: Worked | Undone) -> Finding:
    """A good last torque on a joint that another torque may have taken over its band."""
    if isinstance(doubt, Undone):
        why, settles = doubt.because
    else:
        why, settles = "the tool leaves that open", advice(job, joint, doubt, "inconclusive") or ""
    return finding._replace(
        verdict="inconclusive",
        says=f"{finding.says} But {doubt.fact.data.torque} was applied too, which may have been over the band: {why}.",
        advice=settles,
        entries=(doubt.fact.id, *finding.entries),
    )


def _open(joint: Joint, says: str, settles: str, facts: Sequence[Fact[TorqueApplied]]) -> Finding:
    return _finding(
        subject=joint.joint,
        verdict="inconclusive",
        says=says,
        advice=settles,
        required=conformity.required(joint),
        entries=_ids(facts),
    )


def _written(facts: Sequence[Fact[TorqueApplied]]) -> str:
    return ", ".join(str(fact.data.torque) for fact in facts)


def _ids(facts: Sequence[Fact[TorqueApplied]]) -> tuple[str, ...]:
    return tuple(fact.id for fact in facts)
