"""The band a torque must lie in, the probability that it does, and the decision on it.

Probability of conformity:  p = Φ((T_U − y)/u) − Φ((T_L − y)/u)          JCGM 106:2012
    y the torque the joint got, u its standard uncertainty, N.m; T_L and T_U the ends of the band.
Decision (ILAC-G8:09/2019 cl. 4.2): simple, y in the band with both ends; guarded, conforming at p ≥ confidence,
    nonconforming at p ≤ 1 − confidence, inconclusive between.
"""

from __future__ import annotations

from decimal import Decimal
from statistics import NormalDist
from typing import Any, NamedTuple

from service.checks.finding import FROM_MEMORY
from service.entries.judgement import Verdict
from service.entries.once import once_for_each
from service.entries.procedure import Joint
from service.entries.quantity import figures, same_when_rounded

DECISION_SOURCE = f"JCGM 106:2012 and JCGM 100:2008 ({FROM_MEMORY}); ILAC-G8:09/2019 cl. 4.2"

_NORMAL = NormalDist()
_USUAL_CONFIDENCE = 0.95


class Band(NamedTuple):
    """Lowest and highest torque allowed, both included, N.m."""

    low: Decimal
    high: Decimal

    def holds(self, y: Decimal) -> bool:
        """Is it inside? Exact, both ends in."""
        return self.low <= y <= self.high


@once_for_each
def band_of(joint: Joint) -> Band:
    """The joint's band: its limits, else its torque ± tolerance."""
    return Band._make(joint.band)


@once_for_each
def band_words(joint: Joint) -> str:
    """The band for a person: ``band 76.468 to 86.230 N.m (60 ft.lbf ± 6 %)``."""
    band = band_of(joint)
    words = f"band {figures(band.low, 5)} to {figures(band.high, 5)} N.m"
    if joint.tolerance_percent is not None and joint.torque is not None:
        words += f" ({joint.torque} ± {joint.tolerance_percent} %)"
    elif joint.low is not None and (joint.low.code, joint.high and joint.high.code) != ("N.m", "N.m"):
        words += f" ({joint.low} to {joint.high})"
    return words + (f", printed as {joint.also} too" if joint.also is not None else "")


@once_for_each
def required(joint: Joint) -> dict[str, Any]:
    """Target and limits as findings show them; limits that the procedure gives itself also as written."""
    if joint.low is not None and joint.high is not None:
        limits = {"low": joint.low.shown(), "high": joint.high.shown()}
    else:
        band = band_of(joint)
        limits = {
            end: {"si": {"value": figures(value, 5), "unit": "N.m"}}
            for end, value in zip(band._fields, band, strict=True)
        }
    return {"target": joint.torque.shown(), **limits} if joint.torque is not None else limits


def two_torques(joint: Joint) -> str | None:
    """What the procedure prints, if the same torque in two units is not the same torque."""
    if joint.torque is None or joint.also is None:
        return None
    if same_when_rounded(joint.torque, joint.also) or same_when_rounded(joint.also, joint.torque):
        return None
    return (
        f"The procedure prints two different torques: {joint.torque} ({figures(joint.torque.si, 5)} N.m) and "
        f"{joint.also} ({figures(joint.also.si, 5)} N.m)."
    )


def probability(y: Decimal, u: Decimal, band: Band) -> float:
    """Probability that the true value lies in the band, given y with standard uncertainty u (normal)."""
    if u == 0:
        return 1.0 if band.holds(y) else 0.0
    low, high = float((band.low - y) / u), float((band.high - y) / u)
    if low > 0:  # the difference of two numbers near 1 loses its digits: take the mirror image
        low, high = -high, -low
    return _NORMAL.cdf(high) - _NORMAL.cdf(low)


def probability_above(y: Decimal, u: Decimal, limit: Decimal) -> float:
    """Probability that the true value lies above the limit."""
    if u == 0:
        return 1.0 if y > limit else 0.0
    return _NORMAL.cdf(float((y - limit) / u))


def confidence(joint: Joint) -> float:
    """The confidence a guarded decision wants: as the procedure says, else 0.95."""
    return float(joint.confidence) if joint.confidence is not None else _USUAL_CONFIDENCE


def decide(joint: Joint, y: Decimal, u: Decimal | None, band: Band) -> Verdict:
    """Does y conform? By the procedure's rule; a guarded decision without an uncertainty is inconclusive."""
    if joint.acceptance == "simple":
        return "conforming" if band.holds(y) else "nonconforming"
    if u is None:
        return "inconclusive"
    p, wanted = probability(y, u, band), confidence(joint)
    return "conforming" if p >= wanted else "nonconforming" if p <= 1 - wanted else "inconclusive"


def is_over(joint: Joint, y: Decimal, u: Decimal | None, band: Band) -> bool | None:
    """Was the joint taken over its band? By the same rule; None where a guarded decision cannot tell."""
    if joint.acceptance == "simple" or y <= band.high:
        return y > band.high
    if u is None or probability_above(y, u, band.high) < confidence(joint):
        return None
    return True
