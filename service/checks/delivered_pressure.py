"""Delivered pressure: as left, with gas flowing and with none, each in its own band.

low ≤ p ≤ high, kPa, both ends included, compared as exact decimals: simple acceptance, ILAC-G8:09/2019 cl. 4.2 (from
memory; confirm against the document); U = 2·u is told beside it. The bands come from the register of the asset: schemes
differ, so none is built in. What is out by d takes d / (pressure per turn) turns of the stem.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import datetime
from decimal import Decimal

from service.checks.finding import FROM_MEMORY, Check, Finding
from service.checks.gauge import accuracy, standard_uncertainty
from service.checks.job import Fact, Job
from service.checks.pressure_per_turn import of_job
from service.entries.asset import Band
from service.entries.judgement import Verdict
from service.entries.quantity import Pressure, figures
from service.entries.work import PressureRead

NAME = "delivered_pressure"
SOURCE = f"band: the register; simple acceptance, ILAC-G8:09/2019 cl. 4.2 ({FROM_MEMORY})"


def check(job: Job) -> Iterator[Finding]:
    """One finding for each flow that has a band."""
    wanted = bands(job)
    if not wanted:
        says = "The register gives no band for the delivered pressure."
        yield Finding(check=NAME, subject=NAME, verdict="not_applicable", says=says, source=SOURCE)
    read = last_as_left(job)
    for flow, band in wanted.items():
        fact = read.get(flow)
        yield _missing(job, flow, band) if fact is None else _read(job, flow, band, fact)


def bands(job: Job) -> Mapping[str, Band]:
    """The bands of the register by flow."""
    delivered = job.register.delivered_pressure
    both = {"flowing": delivered.flowing, "static": delivered.static} if delivered else {}
    return {flow: band for flow, band in both.items() if band is not None}


def last_as_left(job: Job) -> Mapping[str, Fact[PressureRead]]:
    """The last reading as left at the point of the register, for each flow that has a band."""
    wanted = bands(job)
    return {fact.data.flow: fact for fact in _as_left(job) if fact.data.flow in wanted and fact.data.flow is not None}


def in_band_after(job: Job, at: datetime) -> bool:
    """Was a delivered pressure as left read in its band after that time, and is the last of none out of it?"""
    wanted = bands(job)
    last = [(fact, _outside(fact.data.pressure, wanted[flow])) for flow, fact in last_as_left(job).items()]
    return not any(outside for _, outside in last) and any(outside == 0 and fact.at > at for fact, outside in last)


def _as_left(job: Job) -> list[Fact[PressureRead]]:
    delivered = job.register.delivered_pressure
    reads = job.facts.of(PressureRead)
    return [fact for fact in reads if delivered and fact.data.phase == "as_left" and fact.data.point == delivered.point]


def _outside(p: Pressure, band: Band) -> Decimal | None:
    """How far over (+) or under (−) the band, kPa; 0 in it; None where gauge meets absolute."""
    if not p.reference == band.low.reference == band.high.reference:
        return None
    if p.si > band.high.si:
        return p.si - band.high.si
    return min(p.si - band.low.si, Decimal(0))


def _missing(job: Job, flow: str, band: Band) -> Finding:
    says = f"No {flow} pressure as left was read."
    if nameless := [fact for fact in _as_left(job) if fact.data.flow is None]:
        says = f"{says} {nameless[-1].data.pressure} as left does not say whether gas was flowing."
    return Finding(
        check=NAME,
        subject=flow,
        verdict="inconclusive",
        says=says,
        required=_shown(band),
        advice=f"Read the delivered pressure {_WITH[flow]} and record it as left ({flow}).",
        source=SOURCE,
        entries=tuple(fact.id for fact in nameless[-1:]),
    )


_WITH = {"flowing": "with gas flowing", "static": "with no flow"}


def _read(job: Job, flow: str, band: Band, fact: Fact[PressureRead]) -> Finding:
    p, u = fact.data.pressure, standard_uncertainty(job, fact)
    outside = _outside(p, band)
    says = f"{_written(p)} as left, {flow}; band {_written(band.low)} to {_written(band.high)}"
    advice = None
    verdict: Verdict = "conforming"
    if outside is None:
        verdict, says = "inconclusive", f"{says}: gauge and absolute pressure cannot be compared"
        advice = "Read it against the same reference as the band."
    elif outside:
        verdict, advice = "nonconforming", _back(job, outside)
        says = f"{says}: {figures(abs(outside), 3)} kPa {'above' if outside > 0 else 'below'} it"
    if u is not None:
        says += f"; U {figures(2 * u, 2)} kPa (k = 2" + (
            ")" if accuracy(job, fact) is not None else ", resolution alone)"
        )
    says += "."
    return Finding(
        check=NAME,
        subject=flow,
        verdict=verdict,
        says=says,
        measured=p.shown(),
        required=_shown(band),
        advice=advice,
        source=SOURCE,
        entries=(fact.id,),
    )


def _back(job: Job, outside: Decimal) -> str:
    """What brings it back to the nearest end of its band; turning in raises the pressure."""
    out = f"It is {figures(abs(outside), 3)} kPa {'above' if outside > 0 else 'below'} its band"
    per_turn = of_job(job)
    if per_turn is None or per_turn.kpa <= 0:
        return f"{out}: set it again and read it again."
    turns = f"{figures(abs(outside) / per_turn.kpa, 2)} turn {'out' if outside > 0 else 'in'}"
    return f"{out}: at {per_turn.says}, the end of the band is {turns}; set it again and read it again."


def _written(p: Pressure) -> str:
    return str(p) if p.code == p.si_unit else f"{p} ({figures(p.si, 5)} {p.si_unit})"


def _shown(band: Band) -> Mapping[str, object]:
    return {"low": band.low.shown(), "high": band.high.shown()}


DELIVERED_PRESSURE = Check(
    NAME,
    "The delivered pressure as left, static and flowing, each in its own band.",
    "low ≤ p ≤ high; out by d: d / (pressure per turn) turns",
    SOURCE,
    reads=frozenset({"pressure.read", "rebuild.opened", "setting.adjusted"}),
    run=check,
)
