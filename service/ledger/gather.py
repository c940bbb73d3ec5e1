"""Collect, from the store, the job that is to be judged."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import Any

import orjson
from pydantic import BaseModel
from sqlalchemy import Connection, Row

from service.checks.job import Earlier, Fact, InstrumentRecord, Job, StemLeft
from service.entries.instrument import InstrumentCalibrated, InstrumentEvent, InstrumentRegistered
from service.entries.procedure import ProcedurePublished
from service.entries.refusals import Unknown
from service.entries.words import instant, microseconds
from service.ledger.entry import read_all
from service.ledger.known import asset_of
from service.ledger.rebuild import Folded, fold
from service.ledger.register import ASSET_TYPES, Asset, Facility, fold_asset
from service.store import entries as stored
from service.store import views


@dataclass(frozen=True, slots=True)
class Gathered:
    """A rebuild's facts, and the job they make once it is known by which procedure."""

    folded: Folded
    job: Job | None
    last_seq: int
    asset: Asset | None = None
    instruments: frozenset[str] = frozenset()


def facility_of(tx: Connection, code: str) -> Facility:
    """A facility from its view. Raises Unknown where there is none."""
    row = views.facility(tx, code)
    if row is None:
        raise Unknown(f"no facility {code!r} here", code="unknown_facility")
    return Facility(code, row.name, row.origin, tuple((day, zone) for day, zone in orjson.loads(row.zones)))


def gather(tx: Connection, facility: Facility, rebuild: str) -> Gathered:
    """Everything the checks may look at for this rebuild, as the ledger holds it now."""
    entries = read_all(stored.of_rebuild(tx, facility.code, rebuild))
    folded, last_seq = fold(entries), entries[-1].seq if entries else 0
    used = frozenset(_instruments_named(folded.facts))
    opening = folded.opening
    if opening is None or opening.asset is None:
        return Gathered(folded, None, last_seq, instruments=used)
    procedure = views.procedure(tx, facility.code, opening.data.procedure, opening.data.revision)
    asset = asset_at(tx, facility.code, opening.asset, opening.at)
    if procedure is None or asset is None:
        return Gathered(folded, None, last_seq, instruments=used)
    job = Job(
        procedure=ProcedurePublished.model_validate(orjson.loads(procedure.body)),
        register=asset.register,
        facts=folded.facts,
        instruments=instrument_records(tx, facility.code, used),
        corrections=folded.holding,
        earlier=_earlier(tx, facility.code, opening, rebuild, asset.register.serial),
        between=_between(tx, facility.code, opening.asset),
        zone=facility.zone_at(opening.at),
    )
    return Gathered(folded, job, last_seq, asset, used)


def asset_at(tx: Connection, facility: str, tag: str, at: datetime) -> Asset | None:
    """The register as it stood then; as first registered if that was later."""
    row = views.assets_by_tag(tx, facility, [tag]).get(tag)
    if row is None:
        return None
    if row.changed_us <= microseconds(at):
        return asset_of(row)
    return fold_asset(tag, read_all(stored.of_asset(tx, facility, tag, ASSET_TYPES)), at)


def instrument_records(tx: Connection, facility: str, names: Iterable[str]) -> dict[str, InstrumentRecord]:
    """Instruments by code, those that are registered."""
    found = views.instruments_by_name(tx, facility, names) if names else {}
    return {name: instrument_of(row) for name, row in found.items()}


def instrument_of(row: Row[Any]) -> InstrumentRecord:
    """An instrument from its view."""
    body = orjson.loads(row.body)
    return InstrumentRecord(
        InstrumentRegistered.model_validate(body["instrument"]).root,
        tuple(InstrumentCalibrated.model_validate(data) for data in body["calibrations"]),
        tuple(
            Fact(
                event["id"], "instrument.event", instant(event["at_us"]), InstrumentEvent.model_validate(event["data"])
            )
            for event in body["events"]
        ),
    )


def instrument_body(record: InstrumentRecord) -> str:
    """An instrument as its view keeps it."""
    body = {
        "instrument": record.model.model_dump(exclude_unset=True),
        "calibrations": [data.model_dump(exclude_unset=True) for data in record.calibrations],
        "events": [
            {"id": fact.id, "at_us": microseconds(fact.at), "data": fact.data.model_dump(exclude_unset=True)}
            for fact in record.events
        ],
    }
    return orjson.dumps(body).decode()


def _instruments_named(facts: Iterable[Fact[BaseModel]]) -> Iterable[str]:
    for fact in facts:
        for name in ("instrument", "thermometer"):
            used = getattr(getattr(fact.data, "root", fact.data), name, None)
            if used is not None:
                yield used


def _earlier(
    tx: Connection, facility: str, opening: Fact[Any], rebuild: str, serial: str | None
) -> tuple[Earlier, ...]:
    """Rebuilds of the same device opened before this one, oldest first."""
    mine = (microseconds(opening.at), rebuild)
    return tuple(
        Earlier(row.rebuild, instant(row.opened_us), _stem(row.stem))
        for row in views.rebuilds_of(tx, facility, str(opening.asset))
        if row.rebuild != rebuild and (row.opened_us, row.rebuild) < mine and row.serial == serial
    )


def _stem(text: str | None) -> StemLeft | None:
    if text is None:
        return None
    stem = orjson.loads(text)
    return StemLeft(Decimal(stem["turns"]), instant(stem["at_us"]), tuple(stem["entries"]))


def stem_text(stem: StemLeft | None) -> str | None:
    """How the stem was left, as the rebuild's view keeps it."""
    if stem is None:
        return None
    left = {"turns": str(stem.turns), "at_us": microseconds(stem.at), "entries": list(stem.entries)}
    return orjson.dumps(left).decode()


def _between(tx: Connection, facility: str, asset: str) -> tuple[Fact[BaseModel], ...]:
    """Adjustments made outside any rebuild."""
    found = stored.of_asset(tx, facility, asset, ("setting.adjusted",), outside_rebuilds=True)
    return tuple(fold(read_all(found)).facts)
