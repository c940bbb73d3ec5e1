"""One visit to a device: what was read, counted and found, as a point of the series its history is drawn from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import Any

from service.checks.gauge import SQRT12
from service.checks.job import Fact, Facts
from service.entries.asset import AssetRegistered
from service.entries.quantity import figures
from service.entries.work import PressureRead, SettingAdjusted, TurnsCounted


@dataclass(frozen=True, slots=True)
class Reading:
    """A delivered pressure, kPa gauge, when and by which entry; u: its standard uncertainty, where the gauge tells."""

    kpa: Decimal
    at: datetime
    entry: str
    u: Decimal | None = None

    def shown(self) -> dict[str, Any]:
        """As the wire shows it."""
        return {"kpa": figures(self.kpa, 5), "at": self.at.isoformat(), "entry": self.entry}


@dataclass(frozen=True, slots=True)
class Visit:
    """A rebuild, or any other time somebody set or read the device."""

    rebuild: str
    at: datetime
    as_found: Mapping[str, Reading]
    """By flow, the first reading as found."""
    as_left: Mapping[str, Reading]
    """By flow, the last reading as left."""


def visit(rebuild: str, at: datetime, facts: Facts, register: AssetRegistered) -> Visit:
    """What a rebuild read at the point where the delivered pressure is read."""
    found: dict[str, Reading] = {}
    left: dict[str, Reading] = {}
    for fact in facts.of(PressureRead):
        if delivered(fact, register) and fact.data.flow is not None:
            if fact.data.phase == "as_found":
                found.setdefault(fact.data.flow, reading(fact))
            elif fact.data.phase == "as_left":
                left[fact.data.flow] = reading(fact)
    return Visit(rebuild, at, found, left)


def delivered(fact: Fact[PressureRead], register: AssetRegistered) -> bool:
    """Was it read where the register says the delivered pressure is read, against the air outside?"""
    where = register.delivered_pressure
    return where is not None and fact.data.point == where.point and fact.data.pressure.reference == "gauge"


def reading(fact: Fact[PressureRead]) -> Reading:
    """A pressure with what its gauge could tell apart: u = resolution/√12."""
    resolution = fact.data.resolution
    u = resolution.si / SQRT12 if resolution is not None else None
    return Reading(fact.data.pressure.si, fact.at, fact.id, u)


_IN_SERVICE = frozenset({"as_found", "restored", "as_left"})


def now(facts: Facts, register: AssetRegistered, flow: str) -> Reading | None:
    """The delivered pressure as last known with gas flowing, or with none: read, or left by an adjustment."""
    told = [
        reading(fact)
        for fact in facts.of(PressureRead)
        if delivered(fact, register) and fact.data.flow == flow and fact.data.phase in _IN_SERVICE
    ]
    told += [
        Reading(fact.data.after.si, fact.at, fact.id)
        for fact in facts.of(SettingAdjusted)
        if fact.data.after is not None and fact.data.after.reference == "gauge" and fact.data.flow in {flow, None}
    ]
    return max(told, key=lambda one: (one.at, one.entry), default=None)


def counts(facts: Facts) -> dict[str, str]:
    """The last count of stem turns each way, in turns as the series plots them."""
    return {fact.data.direction: figures(fact.data.turns.si, 6) for fact in facts.of(TurnsCounted)}
