"""Jobs for the checks to judge, built from the same plain values a caller would send.

Checks take models, so every value here passes the wire models first: a test cannot build what could not be recorded.
"""

from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

from pydantic import BaseModel

from service.checks.finding import Finding
from service.checks.job import Earlier, Fact, Facts, InstrumentRecord, Job
from service.entries.asset import AssetRegistered
from service.entries.catalogue import ENTRY_TYPES
from service.entries.instrument import InstrumentCalibrated, InstrumentEvent, InstrumentRegistered
from service.entries.procedure import ProcedurePublished

DAY = "2026-05-04"


def q(text: str) -> dict[str, str]:
    """A quantity as sent, from how one says it: ``q("81.0 N.m")``."""
    value, _, unit = text.partition(" ")
    return {"value": value, "unit": unit}


def at(clock: str, day: str = DAY) -> datetime:
    """A time of the day of the job, UTC: ``at("09:41")``."""
    return datetime.fromisoformat(f"{day}T{clock}").replace(tzinfo=UTC)


def fact(
    type: str,  # noqa: A002 - the envelope's own word
    clock: str,
    data: Mapping[str, Any] | None = None,
    *,
    by: str | None = "tech-07",
    id: str | None = None,  # noqa: A002 - the envelope's own word
    day: str = DAY,
) -> Fact[BaseModel]:
    """One observation; its id says what it is unless one is given."""
    model = ENTRY_TYPES[type].data.model_validate(dict(data or {}))
    return Fact(id=id or f"{type} {clock}", type=type, at=at(clock, day), data=model, by=by, asset="MA1-RB")


def opened(clock: str = "08:30", **data: Any) -> Fact[BaseModel]:
    return fact("rebuild.opened", clock, {"procedure": "DL-40", "revision": 2, "reason": "scheduled", **data})


def closed(clock: str = "11:40", outcome: str = "returned_to_service") -> Fact[BaseModel]:
    return fact("rebuild.closed", clock, {"outcome": outcome})


def instrument(
    data: Mapping[str, Any],
    calibrations: Iterable[Mapping[str, Any]] = (),
    events: Iterable[Fact[InstrumentEvent]] = (),
) -> InstrumentRecord:
    """An instrument with its certificates; each certificate is given without the instrument's code."""
    model = InstrumentRegistered.model_validate(dict(data)).root
    certificates = tuple(
        InstrumentCalibrated.model_validate({"instrument": model.instrument, **certificate})
        for certificate in calibrations
    )
    return InstrumentRecord(model, certificates, tuple(events))


def job(
    *facts: Fact[BaseModel],
    asks: Mapping[str, Any] | None = None,
    register: Mapping[str, Any] | None = None,
    instruments: Iterable[InstrumentRecord] = (),
    earlier: Iterable[Earlier] = (),
    between: Iterable[Fact[BaseModel]] = (),
    zone: str = "UTC",
) -> Job:
    """A rebuild by a procedure that asks for ``asks`` and nothing else."""
    assert len({one.id for one in facts}) == len(facts), "two facts with one id: give them ids"
    asked = {"code": "DL-40", "revision": 2, "title": "Rebuild", **(asks or {})}
    return Job(
        procedure=ProcedurePublished.model_validate(asked),
        register=AssetRegistered.model_validate({"kind": "bank_regulator", "gas": "surgical_air", **(register or {})}),
        facts=Facts(facts),
        instruments={record.model.instrument: record for record in instruments},
        earlier=tuple(earlier),
        between=tuple(between),
        zone=ZoneInfo(zone),
    )


def by_subject(findings: Iterable[Finding]) -> dict[str, Finding]:
    """Findings by what they are about; a subject that stands twice is a mistake of the check."""
    listed = list(findings)
    found = {finding.subject: finding for finding in listed}
    assert len(found) == len(listed), "one finding for each subject"
    return found
