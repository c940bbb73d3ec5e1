"""What is said of one torque: where in its band, how well that is known, and what would settle it."""

from __future__ import annotations

from decimal import Decimal

from service.checks import conformity
from service.checks.instrument_kind import not_a
from service.checks.job import Fact, Job
from service.checks.torque_tool import Worked, accuracy, class_limit_percent, coverage, fineness
from service.entries.instrument import InstrumentCalibrated, TorqueTool
from service.entries.judgement import Verdict
from service.entries.procedure import Joint
from service.entries.quantity import figures
from service.entries.work import TorqueApplied


def against(joint: Joint, one: Worked) -> str:
    """The torque and the band; the difference is that of the numbers printed, so that a reader comes to the same."""
    band = conformity.band_of(joint)
    if band.holds(one.y):
        y = one.y_shown if band.holds(Decimal(one.y_shown)) else figures(one.y, 5)
        return f"{_told(one, y)}; {conformity.band_words(joint)}: inside"
    y, above = figures(one.y, 5), one.y > band.high
    limit = band.high if above else band.low
    by = abs(Decimal(y) - Decimal(figures(limit, 5)))
    beyond = f"{by:f}" if by else figures(abs(one.y - limit), 2)
    return f"{_told(one, y)}; {conformity.band_words(joint)}: {beyond} N.m {'above' if above else 'below'} it"


def _told(one: Worked, number: str) -> str:
    """How y came about: ``81.0 N.m indicated / (1 + 0.2 %) = 80.8 N.m``; y as it is to be printed."""
    torque = one.fact.data.torque
    if not one.correction.words:
        return f"{torque} indicated" + ("" if torque.code == torque.si_unit else f" = {number} N.m")
    si = "" if torque.code == torque.si_unit else f" ({figures(torque.si, 5)} N.m)"
    return f"{torque}{si} indicated{one.correction.words} = {number} N.m"


def sureness(job: Job, joint: Joint, one: Worked, p: float | None) -> str:
    """How sure the answer is, and how sure it had to be."""
    wanted = f", {conformity.confidence(joint):g} wanted" if joint.acceptance == "guarded" else ""
    if one.u is None or p is None:
        return f"; how true the tool is, is not known{wanted}" if wanted else ""
    return f"; {_budget(job, one)}, probability of conformity {p:.4f}{wanted}"


def advice(job: Job, joint: Joint, one: Worked, verdict: Verdict) -> str | None:
    """What would settle or mend it; None where nothing needs to."""
    slip = unit_slip(joint, one)
    if verdict == "inconclusive":
        unsure = "Use a tool of smaller uncertainty, or aim nearer the middle of the band."
        return sentences(slip, _unknown(job, one.fact) if one.u is None else unsure)
    return slip or ("Tighten the joint to its torque and record it." if verdict == "nonconforming" else None)


def _unknown(job: Job, fact: Fact[TorqueApplied]) -> str:
    """What would say how true the tool is."""
    if job.instrument(fact.data.instrument) and not_a(TorqueTool, job, fact.data.instrument):
        return "Correct the instrument's code in the entry."
    return "Register the torque tool (type and greatest torque) or its certificate."


def unit_slip(joint: Joint, one: Worked) -> str | None:
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


def _budget(job: Job, one: Worked) -> str:
    """``standard uncertainty 0.429 N.m = √(0.405² + 0.144²) × 0.9980 (U 1.0 % / k 2; resolution 0.5 N.m / √12)``."""
    record = job.instrument(one.fact.data.instrument)
    if one.u is None or record is None or not isinstance(record.model, TorqueTool):
        return ""
    tool, certificate = record.model, record.calibration_on(job.day(one.fact.at))
    truth, fine = accuracy(tool, certificate, one.fact.data.torque.si) or Decimal(0), fineness(tool)
    whence = _whence(tool, certificate, one)
    total, scale = figures(truth, 3), one.correction.numerator / one.correction.denominator
    if fine:
        total = f"√({total}² + {figures(fine, 3)}²)"
        whence += f"; resolution {tool.resolution} / √12"
    if scale != 1:
        total += f" × {figures(scale, 4)}"
    equals = f" = {total}" if fine or scale != 1 else ""
    return f"standard uncertainty {figures(one.u, 3)} N.m{equals} ({whence})"


def _whence(tool: TorqueTool, certificate: InstrumentCalibrated | None, one: Worked) -> str:
    """Certificate, else class: as ``torque_tool.accuracy`` takes them."""
    if certificate is not None and accuracy(tool, certificate, one.fact.data.torque.si, by_class=False) is not None:
        of_span = " of span" if certificate.of == "span" else ""
        stated = certificate.uncertainty or f"{certificate.uncertainty_percent} %{of_span}"
        return f"U {stated} / k {coverage(certificate):f}"
    return f"class ±{class_limit_percent(tool)} % / √3"


def sentences(*sentences: str | None) -> str | None:
    """Those there are, one after the other."""
    return " ".join(sentence for sentence in sentences if sentence) or None
