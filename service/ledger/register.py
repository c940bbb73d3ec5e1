"""What stands in the register: facility, assets and instruments folded from their entries. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from pydantic import BaseModel, ValidationError

from service.checks.job import Fact, InstrumentRecord
from service.entries.asset import AssetAmended, AssetExchanged, AssetRegistered, AssetRetired
from service.entries.facility import FacilityAmended, FacilityOpened
from service.entries.instrument import InstrumentCalibrated, InstrumentEvent, InstrumentRegistered
from service.ledger.entry import Entry
from service.ledger.rebuild import fold

ASSET_TYPES = ("asset.registered", "asset.amended", "asset.exchanged", "asset.retired")
_FIRST_DAY = "0001-01-01"


def merge_patch(target: Any, patch: Any) -> Any:
    """RFC 7396: the target with the patch merged in; null removes a member."""
    if not isinstance(patch, dict):
        return patch
    merged = dict(target) if isinstance(target, dict) else {}
    for name, value in patch.items():
        if value is None:
            merged.pop(name, None)
        else:
            merged[name] = merge_patch(merged.get(name), value)
    return merged


@dataclass(frozen=True, slots=True)
class Asset:
    """An asset's register at some time: its members as plain values, the same as a model, and whether it is retired."""

    tag: str
    members: Mapping[str, Any]
    register: AssetRegistered
    retired: bool = False
    changed_at: datetime | None = None
    """When the last change in it happened (the registration itself does not count)."""


def fold_asset(tag: str, entries: Iterable[Entry], until: datetime | None = None) -> Asset | None:
    """The asset as its entries leave it; with ``until``, as of then, or as first registered if that was later.

    A patch that no longer fits (one before it was corrected away) is passed over.
    """
    facts = list(fold(entries).facts)
    registered = next((fact for fact in facts if isinstance(fact.data, AssetRegistered)), None)
    if registered is None:
        return None
    members = registered.data.model_dump(exclude_unset=True, exclude={"tag"})
    asset = Asset(tag, members, AssetRegistered.model_validate(members))
    for fact in facts:
        if until is None or fact.at <= until:
            asset = _changed(asset, fact)
    return asset


def _changed(asset: Asset, fact: Fact[BaseModel]) -> Asset:
    match fact.data:
        case AssetAmended(patch=patch):
            try:
                return amended(asset, patch, fact.at)
            except ValidationError:
                return asset
        case AssetExchanged(serial_in=serial):
            return amended(asset, {"serial": serial}, fact.at)
        case AssetRetired():
            return Asset(asset.tag, asset.members, asset.register, retired=True, changed_at=fact.at)
        case _:
            return asset


def amended(asset: Asset, patch: Mapping[str, Any], at: datetime | None) -> Asset:
    """The asset with a merge patch applied.

    Raises:
        ValidationError: what comes out is no register.
    """
    members = merge_patch(asset.members, dict(patch))
    register = AssetRegistered.model_validate(members)
    members = register.model_dump(exclude_unset=True, exclude={"tag"})
    return Asset(asset.tag, members, register, asset.retired, at)


def fold_instrument(entries: Iterable[Entry]) -> InstrumentRecord | None:
    """The instrument as last registered, with its certificates and events; None before it is registered."""
    facts = fold(entries).facts
    registered = facts.of(InstrumentRegistered)
    if not registered:
        return None
    certificates = sorted((fact.data for fact in facts.of(InstrumentCalibrated)), key=lambda data: data.on)
    return InstrumentRecord(registered[-1].data.root, tuple(certificates), facts.of(InstrumentEvent))


@dataclass(frozen=True, slots=True)
class Facility:
    """A facility: its name, and which time zone holds from which day on, oldest first."""

    code: str
    name: str
    origin: str
    zones: tuple[tuple[str, str], ...]

    def zone_at(self, at: datetime) -> ZoneInfo:
        """The time zone in force at an instant."""
        for from_day, name in reversed(self.zones):
            zone = ZoneInfo(name)
            if from_day == _FIRST_DAY or at.astimezone(zone).date().isoformat() >= from_day:
                return zone
        return ZoneInfo(self.zones[0][1])

    def day(self, at: datetime) -> date:
        """The calendar day at an instant, in the facility's time zone."""
        return at.astimezone(self.zone_at(at)).date()


def fold_facility(entries: Sequence[Entry]) -> Facility:
    """The facility as its entries leave it; the first of them opened it."""
    facts = list(fold(entries).facts)
    opened = next(fact.data for fact in facts if isinstance(fact.data, FacilityOpened))
    name, zones = opened.name, {_FIRST_DAY: opened.time_zone}
    for fact in facts:
        if isinstance(fact.data, FacilityAmended):
            name = fact.data.name or name
            if fact.data.time_zone and fact.data.from_day:
                zones[str(fact.data.from_day)] = fact.data.time_zone
    return Facility(opened.code, name, opened.origin, tuple(sorted(zones.items())))


def while_in_place(
    facts: Iterable[Fact[BaseModel]], tag: str, register: Sequence[Entry], serial: str | None
) -> tuple[Fact[BaseModel], ...]:
    """The facts that happened in a position while this device was in it; ``register`` are the position's entries."""
    return tuple(fact for fact in facts if _serial_at(tag, register, fact.at) == serial)


def _serial_at(tag: str, register: Sequence[Entry], at: datetime) -> str | None:
    asset = fold_asset(tag, register, at)
    return asset.register.serial if asset else None
