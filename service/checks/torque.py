"""Each joint tightened within its band, whatever unit and extension it was tightened with; none ever over it.

The torque indicated is corrected for the tool's calibration error and the extension (``service.checks.torque_tool``)
and judged against the joint's band with the probability of conformity (``service.checks.conformity``): formulas and
sources stand there. Rules of the trade besides, common practice, no published source:

- The last final torque on a joint decides; an intermediate one below the band is no fault.
- A joint taken over its band at any stage may have crushed its seat: it stays nonconforming until it gets a new part.
  Torques from before the joint's last new part speak of a joint that is no longer there and do not count.
- A number out of the band as written and in it in another unit is named as a likely slip of the unit.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from decimal import Decimal
from functools import partial

from service.checks import conformity, torque_tool
from service.checks.finding import COMMON_PRACTICE, Check, Finding
from service.checks.job import Fact, Job
from service.checks.torque_tool import Undone, Worked, work_out
from service.entries.judgement import Verdict
from service.entries.procedure import Joint
from service.entries.quantity import figures
from service.entries.work import PartFitted, TorqueApplied

SOURCE = (
    f"{conformity.DECISION_SOURCE}; {torque_tool.CLASS_SOURCE}; extension: {torque_tool.EXTENSION_SOURCE}; "
    f"which torque decides, and the slip of a unit: {COMMON_PRACTICE}"
)
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
        seen = [*job.seen("part.fitted"), *of_it]
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
    reads=frozenset({"part.fitted", "torque.applied"}),
    run=check,
)


def _joint(job: Job, joint: Joint, applied: Sequence[Fact[TorqueApplied]]) -> Finding:
    if two := conformity.two_torques(joint):
        advice = "Publish a revision of the procedure that prints one torque, and go by that."
        return _open(joint, two, advice, applied)
    standing = _since_new_part(job, joint, applied)
    weighed = _weighed(job, joint, standing)
    done = [one for one, _ in weighed]
    over = [one for one, is_over in weighed if is_over and isinstance(one, Worked)]
    if over:
        return _over_torqued(job, joint, max(over, key=lambda one: one.y), standing)
    finals = [one for one in done if one.fact.data.stage == "final"]
    if not finals:
        return _not_tightened(joint, applied, standing)
    if isinstance(finals[-1], Undone):
        return _cannot_tell(joint, finals[-1])
    finding = _judged(joint, finals[-1])
    doubt = next((one for one, is_over in weighed if is_over is None), None)
    if finding.verdict != "conforming" or doubt is None:
        return finding
    return _doubted(finding, joint, doubt)


def _since_new_part(job: Job, joint: Joint, applied: Sequence[Fact[TorqueApplied]]) -> list[Fact[TorqueApplied]]:
    """The torques that speak of the joint as it is: none from before its last new part."""
    own = _own_parts(job, joint)
    renewed = [fact.at for fact in job.facts.of(PartFitted) if fact.data.new and fact.data.part in own]
    return [fact for fact in applied if not renewed or fact.at >= max(renewed)]


def _own_parts(job: Job, joint: Joint) -> list[str]:
    """The kit's parts that make the joint anew, and what may stand for them."""
    parts = job.procedure.kit.parts if job.procedure.kit else ()
    return [name for part in parts if part.joint == joint.joint for name in (part.part, *part.substitutes)]


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


def _judged(joint: Joint, one: Worked, verdict: Verdict | None = None) -> Finding:
    """One torque against the band, with all its arithmetic."""
    band, torque = conformity.band_of(joint), one.fact.data.torque
    verdict = verdict or conformity.decide(joint, one.y, one.u, band)
    p = None if one.u is None else conformity.probability(one.y, one.u, band)
    side, by = ("above", one.y - band.high) if one.y > band.high else ("below", band.low - one.y)
    where = "inside" if band.holds(one.y) else f"{figures(by, 3)} N.m {side} it"
    return _finding(
        subject=joint.joint,
        verdict=verdict,
        measured={"value": torque.value, "unit": torque.code, "si": {"value": one.y_shown, "unit": "N.m"}},
        required=conformity.required(joint),
        probability=None if p is None else f"{p:.4f}",
        says=f"{one.words}; {conformity.band_words(joint)}: {where}{_sureness(joint, one.u, p)}.",
        advice=_advice(joint, one, verdict),
        entries=(one.fact.id,),
    )


def _sureness(joint: Joint, u: Decimal | None, p: float | None) -> str:
    """How sure the answer is, and how sure it had to be."""
    wanted = f", {conformity.confidence(joint):g} wanted" if joint.acceptance == "guarded" else ""
    if u is None or p is None:
        return f"; how true the tool is, is not known{wanted}" if wanted else ""
    return f"; standard uncertainty {figures(u, 3)} N.m, probability of conformity {p:.4f}{wanted}"


def _advice(joint: Joint, one: Worked, verdict: Verdict) -> str | None:
    slip = _unit_slip(joint, one)
    if verdict == "inconclusive":
        unknown = "Register the torque tool (type and greatest torque) or its certificate."
        unsure = "Use a tool of smaller uncertainty, or aim nearer the middle of the band."
        return _sentences(slip, unknown if one.u is None else unsure)
    return slip or ("Tighten the joint to its torque and record it." if verdict == "nonconforming" else None)


def _unit_slip(joint: Joint, one: Worked) -> str | None:
    """The same number in another unit would be in the band: what was meant, if the unit was written down wrongly."""
    band, torque = conformity.band_of(joint), one.fact.data.torque
    if band.holds(one.y):
        return None
    meant = [str(other) for other in torque.readings_in_other_units() if band.holds(one.correction.of(other.si))]
    if not meant:
        return None
    return (
        f"{torque} is out of the band, {' or '.join(meant)} would be in it: was the unit written down wrongly? "
        "Correct the entry if so."
    )


def _over_torqued(job: Job, joint: Joint, worst: Worked, standing: Sequence[Fact[TorqueApplied]]) -> Finding:
    """Over its band once is nonconforming until the joint gets a new part, whatever was applied afterwards."""
    finding = _judged(joint, worst, "nonconforming")
    later = [fact for fact in standing if (fact.at, fact.id) > (worst.fact.at, worst.fact.id)]
    after = f" {_written(later)} applied afterwards." if later else ""
    own = " or ".join(_own_parts(job, joint))
    mend = f"Fit a new part ({own}) and tighten the joint again." if own else "The kit has no part for this joint."
    return finding._replace(
        says=f"{finding.says} Over its band, even once, it stays nonconforming until the joint gets a new part.{after}",
        advice=_sentences(_unit_slip(joint, worst), mend),
        entries=(*finding.entries, *_ids(later)),
    )


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


def _cannot_tell(joint: Joint, one: Undone) -> Finding:
    says = f"{one.fact.data.torque} indicated, but {one.because.why}; {conformity.band_words(joint)}."
    return _open(joint, says, one.because.advice, [one.fact])


def _doubted(finding: Finding, joint: Joint, doubt: Worked | Undone) -> Finding:
    """A good last torque on a joint that another torque may have taken over its band."""
    if isinstance(doubt, Undone):
        why, advice = doubt.because.why, doubt.because.advice
    else:
        why, advice = "the tool leaves that open", _advice(joint, doubt, "inconclusive") or ""
    return finding._replace(
        verdict="inconclusive",
        says=f"{finding.says} But {doubt.fact.data.torque} was applied too, which may have been over the band: {why}.",
        advice=advice,
        entries=(doubt.fact.id, *finding.entries),
    )


def _open(joint: Joint, says: str, advice: str, facts: Sequence[Fact[TorqueApplied]]) -> Finding:
    return _finding(
        subject=joint.joint,
        verdict="inconclusive",
        says=says,
        advice=advice,
        required=conformity.required(joint),
        entries=_ids(facts),
    )


def _written(facts: Sequence[Fact[TorqueApplied]]) -> str:
    return ", ".join(str(fact.data.torque) for fact in facts)


def _ids(facts: Sequence[Fact[TorqueApplied]]) -> tuple[str, ...]:
    return tuple(fact.id for fact in facts)


def _sentences(*sentences: str | None) -> str | None:
    return " ".join(sentence for sentence in sentences if sentence) or None
