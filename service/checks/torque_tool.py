"""From the torque a tool indicated to the torque the joint got, and how well that is known.

What the joint got:      y = (x − s) / (1 + e) × (L + E·cos θ) / L       N.m
    x indicated; e calibration error as left, (indicated − reference)/reference, of reading; for a certificate that
    states errors of span, e = 0 and s = error × span. L the tool's lever, E the extension, θ from the handle's axis: at
    90° nothing changes, at 180° (backwards) the torque is less. A socket or a straight drive extension on the axis of
    the fastener needs no correction (common practice, no published source).
How well x is known:     u² = (U/k)² + (resolution/√12)²                 N.m, JCGM 100:2008
    without a certificate U/k is a/√3, ±a the largest deviation that the tool's class permits (ISO 6789-1:2017
    cl. 5.1.5). All of it scales with y/x.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from decimal import Decimal
from typing import NamedTuple

from service.checks.finding import FROM_MEMORY
from service.checks.gauge import SQRT3, SQRT12
from service.checks.job import Fact, Job
from service.entries.instrument import InstrumentCalibrated, TorqueTool
from service.entries.quantity import Turns, figures
from service.entries.work import Extension, TorqueApplied

CLASS_SOURCE = f"ISO 6789-1:2017 cl. 5.1.5 ({FROM_MEMORY})"
EXTENSION_SOURCE = "US Navy NAVEDTRA 14315 (in-line extensions)"

_HALF = Decimal("0.5")
_EXACT_COSINES = {
    Decimal(0): Decimal(1),
    Decimal(60): _HALF,
    Decimal(90): Decimal(0),
    Decimal(120): -_HALF,
    Decimal(180): Decimal(-1),
    Decimal(240): -_HALF,
    Decimal(270): Decimal(0),
    Decimal(300): _HALF,
}


class Unworkable(NamedTuple):
    """Why the torque the joint got cannot be worked out, and what would settle it."""

    why: str
    advice: str


@dataclass(frozen=True, slots=True)
class Correction:
    """y = (x − shift) × numerator / denominator; ``words`` is the same for a person, empty where nothing is done.

    One multiplication and one division, so that what is exact on paper stays exact at the limits.
    """

    shift: Decimal
    numerator: Decimal
    denominator: Decimal
    words: str

    def of(self, indicated: Decimal) -> Decimal:
        """The torque the joint got, N.m."""
        return (indicated - self.shift) * self.numerator / self.denominator

    def of_uncertainty(self, u: Decimal) -> Decimal:
        """The uncertainty of that, N.m, from the uncertainty of what was indicated."""
        return u * self.numerator / self.denominator


@dataclass(frozen=True, slots=True)
class Worked:
    """One torque applied, with its arithmetic done: y and u in N.m, u None where it is not known."""

    fact: Fact[TorqueApplied]
    correction: Correction
    y: Decimal
    u: Decimal | None

    @property
    def y_shown(self) -> str:
        """Rounded to what the tool could tell: as many figures as were written, three at least."""
        return figures(self.y, max(3, self.fact.data.torque.significant))


@dataclass(frozen=True, slots=True)
class Undone:
    """One torque applied, whose arithmetic cannot be done."""

    fact: Fact[TorqueApplied]
    because: Unworkable


def work_out(job: Job, fact: Fact[TorqueApplied]) -> Worked | Undone:
    """The torque the joint got, by the certificate in force on the day."""
    record = job.instrument(fact.data.instrument)
    tool, certificate = None, None
    if record is not None and isinstance(record.model, TorqueTool):
        tool, certificate = record.model, record.calibration_on(job.day(fact.at))
    correcting = correction(tool, certificate, fact.data.extension)
    if isinstance(correcting, Unworkable):
        return Undone(fact, correcting)
    indicated = fact.data.torque.si
    u = standard_uncertainty(tool, certificate, indicated)
    return Worked(fact, correcting, correcting.of(indicated), None if u is None else correcting.of_uncertainty(u))


def span(tool: TorqueTool) -> Decimal | None:
    """The tool's span, N.m: max − min, or max where the least is not registered."""
    return None if tool.max is None else tool.max.si - (tool.min.si if tool.min is not None else Decimal(0))


def cosine(angle: Turns) -> Decimal:
    """Cosine of θ; exact where the answer is a whole or a half."""
    degrees = round(angle.si * 360 % 360, 12)
    exact = _EXACT_COSINES.get(degrees)
    return exact if exact is not None else Decimal(repr(math.cos(math.radians(float(degrees)))))


def correction(
    tool: TorqueTool | None, certificate: InstrumentCalibrated | None, extension: Extension | None
) -> Correction | Unworkable:
    """What stands between the number on the tool and the torque in the joint."""
    calibrated = _calibration(tool, certificate)
    lengthened = _extension(tool, extension)
    if isinstance(calibrated, Unworkable):
        return calibrated
    if isinstance(lengthened, Unworkable):
        return lengthened
    shift, divisor, error_words = calibrated
    length, lever, extension_words = lengthened
    return Correction(shift, length, divisor * lever, error_words + extension_words)


class _Calibration(NamedTuple):
    shift: Decimal
    divisor: Decimal
    words: str


def _calibration(tool: TorqueTool | None, certificate: InstrumentCalibrated | None) -> _Calibration | Unworkable:
    nothing = _Calibration(Decimal(0), Decimal(1), "")
    if tool is None or certificate is None or certificate.as_left_error_percent is None:
        return nothing
    error = Decimal(certificate.as_left_error_percent)
    if error == 0:
        return nothing
    sign, size = "−" if error < 0 else "+", certificate.as_left_error_percent.lstrip("-")
    if certificate.of == "span":
        over = span(tool)
        if over is None:
            return Unworkable(
                f"{tool.instrument} reads {sign}{size} % of span off and its span is not registered",
                f"Register the greatest torque of {tool.instrument}.",
            )
        shift = error / 100 * over
        taken_off = f"{'+' if error < 0 else '−'} {figures(abs(shift), 4)} N.m"
        return _Calibration(shift, Decimal(1), f" {taken_off} (error {sign}{size} % of span)")
    if error <= -100:
        return Unworkable(
            f"the certificate of {tool.instrument} states an error of {certificate.as_left_error_percent} %",
            f"Correct the calibration entry of {tool.instrument}: it cannot be.",
        )
    return _Calibration(Decimal(0), 1 + error / 100, f" / (1 {sign} {size} %)")


class _Lengthened(NamedTuple):
    length: Decimal
    lever: Decimal
    words: str


def _extension(tool: TorqueTool | None, extension: Extension | None) -> _Lengthened | Unworkable:
    if extension is None or extension.length.si == 0:
        return _Lengthened(Decimal(1), Decimal(1), "")
    if (cos := cosine(extension.angle)) == 0:
        return _Lengthened(Decimal(1), Decimal(1), f" × 1 (extension of {extension.length} at {extension.angle})")
    lever = tool.lever if tool is not None else None
    if lever is None or lever.si == 0:
        return Unworkable(
            f"an extension of {extension.length} at {extension.angle} was used on a tool of unknown lever length",
            "Register the lever length of the torque tool (grip centre to drive).",
        )
    length = lever.si + extension.length.si * cos
    if length <= 0:
        return Unworkable(
            f"an extension of {extension.length} at {extension.angle} reaches back past the grip of a {lever} lever",
            "Correct the extension of the entry, or the lever length registered for the tool.",
        )
    across = f"{lever.si:f} + {extension.length.si:f}·cos {extension.angle}"
    return _Lengthened(length, lever.si, f" × ({across}) / {lever.si:f}")


def class_limit_percent(tool: TorqueTool) -> Decimal | None:
    """Largest deviation the tool's class permits, ± % of reading; None where type or greatest torque is not known."""
    match tool.type:
        case "bending_bar" | "screwdriver":
            return Decimal(6)
        case "setting" | "dial" | "electronic" if tool.max is not None:
            return Decimal(6) if tool.max.si <= 10 else Decimal(4)
        case _:
            return None


def standard_uncertainty(
    tool: TorqueTool | None, certificate: InstrumentCalibrated | None, indicated: Decimal
) -> Decimal | None:
    """Standard uncertainty of what the tool indicated, N.m; None where neither certificate nor class is known.

    The resolution alone says nothing about how true a tool is, so without either there is no answer.
    """
    truth = accuracy(tool, certificate, indicated) if tool is not None else None
    return None if tool is None or truth is None else (truth**2 + fineness(tool) ** 2).sqrt()


def accuracy(
    tool: TorqueTool, certificate: InstrumentCalibrated | None, indicated: Decimal, *, by_class: bool = True
) -> Decimal | None:
    """How true the tool is: U/k of its certificate, else (``by_class``) what its class permits / √3, N.m."""
    certified = _certified(tool, certificate, indicated) if certificate is not None else None
    if certified is not None or not by_class:
        return certified
    limit = class_limit_percent(tool)
    return None if limit is None else limit / 100 * indicated / SQRT3


def fineness(tool: TorqueTool) -> Decimal:
    """Its resolution / √12, N.m; nothing where it is not registered."""
    return tool.resolution.si / SQRT12 if tool.resolution is not None else Decimal(0)


def coverage(certificate: InstrumentCalibrated) -> Decimal:
    """k: a certificate with k = 0 states nothing, and the usual 2 holds."""
    return Decimal(certificate.k or 2) or Decimal(2)


def _certified(tool: TorqueTool, certificate: InstrumentCalibrated, indicated: Decimal) -> Decimal | None:
    k = coverage(certificate)
    if certificate.uncertainty is not None:
        return certificate.uncertainty.si / k if certificate.uncertainty.si_unit == "N.m" else None
    base = indicated if certificate.of == "reading" else span(tool)
    if certificate.uncertainty_percent is None or base is None:
        return None
    return Decimal(certificate.uncertainty_percent) / 100 * base / k
