"""What follows from entries: the views, brought up to date in the transaction of the entries themselves.

``touched`` says what a batch of new entries touches; each ``refresh_…`` reads the entries again, folds them with the
pure files beside this one and writes the view. A replay calls the same functions, so it gives the same views.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import orjson
from sqlalchemy import Connection

from service.entries.words import microseconds
from service.ledger.duelist import refresh_due, refresh_due_below
from service.ledger.entry import Entry, read_all
from service.ledger.gather import instrument_body
from service.ledger.register import ASSET_TYPES, Facility, fold_asset, fold_facility, fold_instrument
from service.store import entries as stored
from service.store import views

FACILITY_SUBJECT = "facility"


@dataclass
class Touched:
    """Names of what a batch of entries touches."""

    facility: bool = False
    assets: set[str] = field(default_factory=set)
    procedures: list[Entry] = field(default_factory=list)
    instruments: set[str] = field(default_factory=set)
    rebuilds: dict[str, int] = field(default_factory=dict)
    """Each with the seq of the first entry that touched it."""
    settings: set[str] = field(default_factory=set)
    """Assets with an adjustment outside any rebuild."""
    meters: set[str] = field(default_factory=set)
    """Assets with a meter reading."""

    def __bool__(self) -> bool:
        return self != Touched()


def subject_of(type_: str, data: object) -> str | None:
    """What an entry is about besides asset and rebuild: an instrument, or the facility."""
    if type_.startswith("instrument.") and isinstance(data, dict):
        return f"instrument:{data['instrument']}"
    return FACILITY_SUBJECT if type_.startswith("facility.") else None


def touch(touched: Touched, entry: Entry, target: Entry | None = None) -> None:
    """Note what an entry touches; a correction touches what its target does."""
    about = target or entry
    if about.rebuild:
        touched.rebuilds.setdefault(about.rebuild, entry.seq)
    if about.type in ASSET_TYPES and about.asset:
        touched.assets.add(about.asset)
    elif about.type == "procedure.published":
        touched.procedures.append(about)
    elif about.type.startswith("instrument."):
        touched.instruments.add(str(about.data["instrument"]))
    elif about.type.startswith("facility."):
        touched.facility = True
    elif about.type == "meter.read" and about.asset:
        touched.meters.add(about.asset)
    elif about.type == "setting.adjusted" and about.asset and not about.rebuild:
        touched.settings.add(about.asset)


def refresh_facility(tx: Connection, code: str) -> Facility:
    """The facility's view. Where its time zone changed, what hangs on a calendar day is reckoned again."""
    entries = read_all(stored.of_subject(tx, code, FACILITY_SUBJECT))
    facility = fold_facility(entries)
    zones = orjson.dumps(facility.zones).decode()
    before = views.facility(tx, code)
    views.put_facility(
        tx,
        {"facility": code, "name": facility.name, "origin": facility.origin, "zones": zones, "seq": entries[-1].seq},
    )
    if before is not None and before.zones != zones:
        _other_days(tx, facility)
    return facility


def _other_days(tx: Connection, facility: Facility) -> None:
    """Rebuilds are marked, because findings tell the time of day; due days are counted from other closing days."""
    opened = views.opened_rebuilds(tx, facility.code)
    views.mark(tx, facility.code, (row.rebuild for row in opened))
    for tag in sorted({row.asset for row in opened}):
        refresh_due(tx, facility, tag)
    for tag in stored.metered(tx, facility.code):
        refresh_due_below(tx, facility, tag)


def refresh_asset(tx: Connection, facility: Facility, tag: str) -> None:
    """An asset's register. Rebuilds opened under what changed are marked."""
    entries = read_all(stored.of_asset(tx, facility.code, tag, ASSET_TYPES))
    asset = fold_asset(tag, entries)
    if asset is None:
        return
    before = views.assets_by_tag(tx, facility.code, [tag]).get(tag)
    views.put_asset(
        tx,
        {
            "facility": facility.code,
            "tag": tag,
            "kind": asset.register.kind,
            "gas": asset.register.gas,
            "parent": asset.register.parent,
            "retired": asset.retired,
            "out_of_service": bool(before and before.out_of_service),
            "changed_us": microseconds(asset.changed_at) if asset.changed_at else 0,
            "body": orjson.dumps(asset.members).decode(),
            "seq": entries[-1].seq,
        },
    )
    moved = before is not None and before.parent != asset.register.parent
    (refresh_due_below if moved else refresh_due)(tx, facility, tag)
    if before is not None:
        views.mark(tx, facility.code, (row.rebuild for row in views.rebuilds_of(tx, facility.code, tag)))


def refresh_procedure(tx: Connection, facility: Facility, entry: Entry) -> None:
    """A procedure revision as published. Rebuilds that a correction has already put under it are marked."""
    views.put_procedure(
        tx,
        {
            "facility": facility.code,
            "code": entry.data["code"],
            "revision": entry.data["revision"],
            "body": orjson.dumps(entry.data).decode(),
            "seq": entry.seq,
        },
    )
    views.mark(tx, facility.code, views.rebuilds_by(tx, facility.code, entry.data["code"], entry.data["revision"]))


def refresh_instrument(tx: Connection, facility: Facility, name: str) -> None:
    """An instrument with its certificates; no view before it is registered. Rebuilds that used it are marked."""
    entries = read_all(stored.of_subject(tx, facility.code, f"instrument:{name}"))
    record = fold_instrument(entries)
    if record is None:
        views.drop_instrument(tx, facility.code, name)
    else:
        body = instrument_body(record)
        row = {"facility": facility.code, "instrument": name, "body": body, "seq": entries[-1].seq}
        views.put_instrument(tx, row)
    views.mark(tx, facility.code, views.users_of(tx, facility.code, name))


def refresh_register(tx: Connection, facility: Facility, touched: Touched) -> None:
    """Everything but the rebuilds."""
    for entry in touched.procedures:
        refresh_procedure(tx, facility, entry)
    for name in sorted(touched.instruments):
        refresh_instrument(tx, facility, name)
    for tag in sorted(touched.assets):
        refresh_asset(tx, facility, tag)
    for tag in sorted(touched.meters):
        refresh_due_below(tx, facility, tag)
    for tag in sorted(touched.settings):
        views.mark(tx, facility.code, (row.rebuild for row in views.rebuilds_of(tx, facility.code, tag)))
