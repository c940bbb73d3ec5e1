"""Views read back into the values they were made from, and the other way round."""

from __future__ import annotations

from collections.abc import Iterable
from decimal import Decimal
from functools import lru_cache
from typing import Any

import orjson
from sqlalchemy import Connection, Row

from service.checks.job import Adjustment, Fact, InstrumentRecord, StemLeft
from service.entries.asset import AssetRegistered
from service.entries.instrument import InstrumentCalibrated, InstrumentEvent, InstrumentRegistered
from service.entries.refusals import Unknown
from service.entries.words import instant, microseconds
from service.ledger.register import Asset, Facility
from service.store import views


def facility_of(tx: Connection, code: str) -> Facility:
    """A facility from its view. Raises Unknown where there is none."""
    row = views.facility(tx, code)
    if row is None:
        raise Unknown(f"no facility {code!r} here", code="unknown_facility")
    return _facility(code, row.name, row.origin, row.zones)


@lru_cache(1024)
def _facility(code: str, name: str, origin: str, zones: str) -> Facility:
    return Facility(code, name, origin, tuple((day, zone) for day, zone in orjson.loads(zones)))


def asset_of(row: Row[Any]) -> Asset:
    """An asset from its view."""
    members = orjson.loads(row.body)
    return Asset(row.tag, members, AssetRegistered.model_validate(members), retired=bool(row.retired))


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


def stem_of(text: str | None) -> StemLeft | None:
    """How the stem was left, from a rebuild's view."""
    if text is None:
        return None
    stem = orjson.loads(text)
    return StemLeft(Decimal(stem["turns"]), instant(stem["at_us"]), tuple(stem["entries"]), stem.get("how", ""))


def stem_text(stem: StemLeft | None) -> str | None:
    """How the stem was left, as the rebuild's view keeps it."""
    if stem is None:
        return None
    left = {"turns": str(stem.turns), "at_us": microseconds(stem.at), "entries": list(stem.entries), "how": stem.how}
    return orjson.dumps(left).decode()


def adjusted_of(text: str | None) -> tuple[Adjustment, ...]:
    """What a rebuild did to the setting, from its view."""
    made = orjson.loads(text) if text is not None else []
    return tuple(Adjustment(Decimal(turns), Decimal(before), Decimal(after), id_) for turns, before, after, id_ in made)


def adjusted_text(made: Iterable[Adjustment]) -> str | None:
    """The same as the rebuild's view keeps it; None where there is nothing to learn from it."""
    kept = [[str(one.turns), str(one.before), str(one.after), one.entry] for one in made]
    return orjson.dumps(kept).decode() if kept else None
