"""What follows from entries: the views, brought up to date in the transaction of the entries themselves.

``touched`` says what a batch of new entries touches; each ``refresh_…`` reads the entries again, folds them with the
pure files beside this one and writes the view. A replay calls the same functions, so it gives the same views.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import orjson
from sqlalchemy import Connection

from service.entries.words import microseconds
from service.ledger.duelist import read_on, refresh_due, refresh_due_below
from service.ledger.entry import Entry, read_all
from service.ledger.memory import Memory
from service.ledger.read_views import instrument_body
from service.ledger.register import ASSET_TYPES, fold_asset, fold_facility, fold_instrument
from service.merkle.canonical import canonical
from service.store import entries as stored
from service.store import views

FACILITY_SUBJECT = "facility"


@dataclass
class Touched:
    """Names of what a batch of entries touches."""

    facility: bool = False
    assets: set[str] = field(default_factory=set)
    amended: bool = False
    """Some of these assets are not as one entry registers them."""
    procedures: list[Entry] = field(default_factory=list)
    instruments: set[str] = field(default_factory=set)
    rebuilds: dict[str, list[Entry]] = field(default_factory=dict)
    """Each with the entries that touched it."""
    afresh: set[str] = field(default_factory=set)
    """Rebuilds with a correction among those entries."""
    settings: set[str] = field(default_factory=set)
    """Assets with an adjustment outside any rebuild."""
    meters: dict[tuple[str, str], list[Entry]] = field(default_factory=dict)
    """By asset and meter, the readings; with an empty name, those that were corrected, perhaps to another meter."""

    @property
    def register(self) -> bool:
        """Something that admission looks at."""
        return self.facility or bool(self.assets or self.procedures or self.instruments)

    def rebuilds_alone(self) -> Touched:
        """Without what the register's views have taken in already."""
        return Touched(rebuilds=self.rebuilds, afresh=self.afresh)


def subject_of(type_: str, data: object) -> str | None:
    """What an entry is about besides asset and rebuild: an instrument, or the facility."""
    if type_.startswith("instrument.") and isinstance(data, dict):
        return f"instrument:{data['instrument']}"
    return FACILITY_SUBJECT if type_.startswith("facility.") else None


def touch(touched: Touched, entry: Entry, target: Entry | None = None, early: Sequence[Entry] = ()) -> None:
    """Note what an entry touches; a correction touches what its target does, ``early`` ones have waited for it."""
    about = target or entry
    if about.rebuild:
        touched.rebuilds.setdefault(about.rebuild, []).append(entry)
        if early or entry.type == "entry.corrected":
            touched.afresh.add(about.rebuild)
    if about.type in ASSET_TYPES and about.asset:
        touched.assets.add(about.asset)
        touched.amended = touched.amended or entry.type != "asset.registered" or bool(early)
    elif about.type == "procedure.published":
        touched.procedures.append(about)
    elif about.type.startswith("instrument."):
        touched.instruments.add(str(about.data["instrument"]))
    elif about.type.startswith("facility."):
        touched.facility = True
    elif about.type == "meter.read" and about.asset:
        corrected = early or target is not None
        touched.meters.setdefault((about.asset, "" if corrected else about.data["meter"]), []).append(entry)
    elif about.type == "setting.adjusted" and about.asset and not about.rebuild:
        touched.settings.add(about.asset)


def refresh_register(tx: Connection, memory: Memory, touched: Touched) -> None:
    """Everything but the rebuilds; what they are judged by and has changed, is marked."""
    for (tag, meter), readings in touched.meters.items():
        read_on(tx, memory, tag, meter, readings)
    if touched.facility:
        _refresh_facility(tx, memory)
    for entry in touched.procedures:
        _refresh_procedure(tx, memory, entry)
    for name in sorted(touched.instruments):
        _refresh_instrument(tx, memory, name)
    for tag in sorted(touched.assets):
        _refresh_asset(tx, memory, tag)
    refresh_due_below(tx, memory, touched.meters)
    for tag in sorted(touched.settings):
        memory.mark(tx, (row.rebuild for row in views.rebuilds_of(tx, memory.code, tag)))


def _refresh_facility(tx: Connection, memory: Memory) -> None:
    """The facility's view. Where its time zone changed, what hangs on a calendar day is reckoned again."""
    entries = read_all(stored.of_subject(tx, memory.code, FACILITY_SUBJECT))
    facility = fold_facility(entries)
    before = views.facility(tx, memory.code)
    zones = orjson.dumps(facility.zones).decode()
    views.put_facility(
        tx,
        {
            "facility": memory.code,
            "name": facility.name,
            "origin": facility.origin,
            "zones": zones,
            "seq": entries[-1].seq,
        },
    )
    memory.forget_facility()
    if before is not None and before.zones != zones:
        _other_days(tx, memory)


def _other_days(tx: Connection, memory: Memory) -> None:
    """Rebuilds are marked, because findings tell the time of day; due days are counted from other closing days."""
    for tag, rebuilds in views.rebuilds_by_asset(tx, memory.code).items():
        memory.mark(tx, rebuilds)
        refresh_due(tx, memory, [tag])
    refresh_due(tx, memory, stored.exchanged(tx, memory.code))
    refresh_due_below(tx, memory, ((tag, "") for tag in stored.metered(tx, memory.code)))


def _refresh_asset(tx: Connection, memory: Memory, tag: str) -> None:
    """An asset's register. Rebuilds opened under what changed are marked."""
    entries = read_all(stored.of_asset(tx, memory.code, tag, ASSET_TYPES))
    asset = fold_asset(tag, entries)
    if asset is None:
        return
    before = views.assets_by_tag(tx, memory.code, [tag]).get(tag)
    views.put_asset(
        tx,
        {
            "facility": memory.code,
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
    memory.forget_asset(tag)
    refresh_due(tx, memory, [tag])
    if before is None:
        return
    if before.parent != asset.register.parent:
        refresh_due_below(tx, memory, [(tag, "")])
    memory.mark(tx, (row.rebuild for row in views.rebuilds_of(tx, memory.code, tag)))


def _refresh_procedure(tx: Connection, memory: Memory, entry: Entry) -> None:
    """A procedure revision as published. Rebuilds that a correction has already put under it are marked."""
    views.put_procedure(
        tx,
        {
            "facility": memory.code,
            "code": entry.data["code"],
            "revision": entry.data["revision"],
            "body": canonical(entry.data).decode(),
            "seq": entry.seq,
        },
    )
    memory.forget_procedure(entry.data["code"])
    memory.mark(tx, views.rebuilds_by(tx, memory.code, entry.data["code"], entry.data["revision"]))


def _refresh_instrument(tx: Connection, memory: Memory, name: str) -> None:
    """An instrument with its certificates; no view before it is registered. Rebuilds that used it are marked."""
    entries = read_all(stored.of_subject(tx, memory.code, f"instrument:{name}"))
    record = fold_instrument(entries)
    if record is None:
        views.drop_instrument(tx, memory.code, name)
    else:
        body = instrument_body(record)
        row = {"facility": memory.code, "instrument": name, "body": body, "seq": entries[-1].seq}
        views.put_instrument(tx, row)
    memory.forget_instrument(name)
    memory.mark(tx, views.users_of(tx, memory.code, name))
