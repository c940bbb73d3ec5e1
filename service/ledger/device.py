"""The past of one device, put together from the store: its visits, and what was done to its setting between them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any

import orjson
from sqlalchemy import Connection, Row

from service.checks.job import Adjustment, Facts
from service.checks.pressure_per_turn import PerTurn, adjustments, pressure_per_turn
from service.entries.asset import AssetRegistered
from service.entries.refusals import Unknown
from service.entries.words import instant
from service.entries.work import SettingAdjusted
from service.history.visits import Visit, visit
from service.ledger.entry import read_all
from service.ledger.gather import between
from service.ledger.read_views import asset_of
from service.ledger.rebuild import fold
from service.ledger.register import ASSET_TYPES, fold_asset
from service.store import due_list, views
from service.store import entries as stored
from service.store.devices import rebuilds_of_device


@dataclass(frozen=True, slots=True)
class Past:
    """One rebuild of the device: its view, its facts, the register as it was opened."""

    row: Row[Any]
    facts: Facts
    register: AssetRegistered

    def visit(self) -> Visit:
        """The same as a point of the series."""
        return visit(self.row.rebuild, instant(self.row.opened_us), self.facts, self.register)


@dataclass(frozen=True, slots=True)
class Device:
    """A device in its position: register, rebuilds oldest first, adjustments outside any rebuild, exchanges."""

    tag: str
    register: AssetRegistered
    past: tuple[Past, ...]
    outside: Facts
    exchanges: Facts

    def all_facts(self) -> Facts:
        """Everything that was seen of it."""
        return Facts([*(fact for past in self.past for fact in past.facts), *self.outside])

    def adjustments(self) -> tuple[Adjustment, ...]:
        """All that tell what a turn did."""
        return adjustments(self.all_facts().of(SettingAdjusted))

    def per_turn(self) -> PerTurn | None:
        """What is known of a turn."""
        return pressure_per_turn(self.register, self.adjustments())


def device(tx: Connection, facility: str, tag: str) -> Device:
    """The device now in a position. Raises Unknown where there is no such asset."""
    row = views.assets_by_tag(tx, facility, [tag]).get(tag)
    if row is None:
        raise Unknown(f"no asset {tag!r} is registered here", code="unknown_asset")
    register = asset_of(row).register
    rows = rebuilds_of_device(tx, facility, tag, register.serial)
    bodies = stored.of_rebuilds(tx, facility, [one.rebuild for one in rows])
    past = []
    for one in rows:
        at = instant(one.opened_us)
        then = fold_asset(one.asset, read_all(stored.of_asset(tx, facility, one.asset, ASSET_TYPES)), at)
        past.append(Past(one, fold(read_all(bodies[one.rebuild])).facts, then.register if then else register))
    places = dict.fromkeys([tag, *(one.asset for one in rows)])
    outside = [fact for place in places for fact in between(tx, facility, place, register.serial)]
    exchanges = fold(read_all(stored.of_asset(tx, facility, tag, ("asset.exchanged",)))).facts
    return Device(tag, register, tuple(past), Facts(outside), exchanges)


def next_due(tx: Connection, facility: str, tag: str) -> date | None:
    """The first day on which a service of the asset is due as things stand."""
    days = [
        row.due_on
        for row in due_list.of_asset(tx, facility, tag)
        if row.to_day == due_list.LAST_DAY and row.due_on != due_list.NEVER
    ]
    return date.fromisoformat(min(days)) if days else None


def findings_of(row: Row[Any], *checks: str) -> list[dict[str, Any]]:
    """What a rebuild's view says of these checks."""
    return [finding for finding in orjson.loads(row.findings) if finding["check"] in checks]
