"""A device's history as callers are told it: pressure per turn, turns to a target, the series, drift. Read only."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from decimal import Decimal
from typing import Any

from sqlalchemy import Connection

from service.checks.job import Fact
from service.checks.pressure_per_turn import PerTurn
from service.entries.asset import AssetExchanged, AssetRegistered, Band
from service.entries.quantity import Pressure, SignedTurns, figures
from service.entries.words import instant
from service.entries.work import SettingAdjusted
from service.history import drift as drifting
from service.history import setting as reckoning
from service.history import visits
from service.ledger.device import Device, Past, device, findings_of, next_due
from service.ledger.entry import rfc3339

_CAUTION = (
    "Arithmetic on what was recorded, not permission to adjust a regulator in service. Local codes, the maker's "
    "instructions and licensed practice come first."
)


def setting(
    tx: Connection,
    facility: str,
    tag: str,
    *,
    flow: str,
    start: Pressure | None,
    target: Pressure | None,
    turns: SignedTurns | None,
) -> dict[str, Any]:
    """What a turn does, and turns to a target or the pressure after so many turns. Raises Unknown."""
    known = device(tx, facility, tag)
    per_turn = known.per_turn()
    last = visits.now(known.all_facts(), known.register, flow)
    now = start.si if start is not None else last.kpa if last is not None else None
    return {
        "asset": tag,
        "serial": known.register.serial,
        "flow": flow,
        "per_turn": _per_turn(per_turn),
        "now": {"kpa": figures(now, 5), "read": last.shown() if last and start is None else None}
        if now is not None
        else None,
        "turns": _turns_to(per_turn, now, target) if target is not None else None,
        "pressure": _pressure_after(per_turn, now, turns) if turns is not None else None,
        "caution": _CAUTION,
    }


def _per_turn(known: PerTurn | None) -> dict[str, Any] | None:
    if known is None:
        return None
    return {
        "kpa": figures(known.kpa, 5),
        "low": _figures(known.low),
        "high": _figures(known.high),
        "confidence": known.confidence,
        "known_from": known.known_from,
        "seen": {"low": figures(known.seen[0], 5), "high": figures(known.seen[1], 5)} if known.seen else None,
        "says": known.says,
        "entries": list(known.entries),
    }


def _turns_to(per_turn: PerTurn | None, now: Decimal | None, target: Pressure) -> dict[str, Any]:
    if per_turn is None or now is None:
        return _untold(per_turn, now)
    reckoned = reckoning.turns_to(per_turn, now, target.si)
    if reckoned is None:
        return _nothing("What was recorded of its turns does not agree even on whether a turn in raises the pressure.")
    return _reckoned(reckoned)


def _pressure_after(per_turn: PerTurn | None, now: Decimal | None, turns: SignedTurns) -> dict[str, Any]:
    if per_turn is None or now is None:
        return _untold(per_turn, now)
    return _reckoned(reckoning.pressure_after(per_turn, now, turns.si))


def _untold(per_turn: PerTurn | None, now: Decimal | None) -> dict[str, Any]:
    missing = []
    if per_turn is None:
        missing.append("Nothing tells what a turn does: three adjustments with the pressure before and after would.")
    if now is None:
        missing.append("No delivered pressure was read: give one with now=, or record one.")
    return _nothing(" ".join(missing))


def _nothing(why: str) -> dict[str, Any]:
    return {"value": None, "low": None, "high": None, "beyond_seen": None, "says": why, "advice": None}


def _reckoned(reckoned: reckoning.Reckoned) -> dict[str, Any]:
    return {
        "value": figures(reckoned.value, 3),
        "low": _figures(reckoned.low, 3),
        "high": _figures(reckoned.high, 3),
        "beyond_seen": reckoned.beyond_seen,
        "says": reckoned.says,
        "advice": reckoned.advice,
    }


def history(tx: Connection, facility: str, tag: str, now: datetime) -> dict[str, Any]:
    """The series of the device now in a position, and what they say of the time to come. Raises Unknown."""
    known = device(tx, facility, tag)
    trends = [one for flow in ("flowing", "static") if (one := _drift(tx, facility, known, flow, now)) is not None]
    return {
        "asset": tag,
        "serial": known.register.serial,
        "exchanged": [_exchange(fact) for fact in known.exchanges.of(AssetExchanged)],
        "per_turn": _per_turn(known.per_turn()),
        "visits": [_visit(past) for past in known.past],
        "between": [_adjustment(fact) for fact in known.outside.of(SettingAdjusted)],
        "drift": trends,
        "early_warnings": [
            f"{one['flow']}: {one['outlook']['says']}"
            for one in trends
            if one["outlook"] and one["outlook"]["leaves"] in {"whole interval", "middle only"}
        ],
    }


def _visit(past: Past) -> dict[str, Any]:
    row, seen = past.row, past.visit()
    return {
        "rebuild": row.rebuild,
        "asset": row.asset,
        "procedure": {"code": row.procedure, "revision": row.revision},
        "opened_at": rfc3339(instant(row.opened_us)),
        "closed_at": rfc3339(instant(row.closed_us)) if row.closed_us is not None else None,
        "verdict": row.verdict,
        "as_found": {flow: one.shown() for flow, one in seen.as_found.items()},
        "as_left": {flow: one.shown() for flow, one in seen.as_left.items()},
        "turns": visits.counts(past.facts),
        "lockup": [_measured(finding) for finding in findings_of(row, "lockup", "creep")],
        "adjustments": [_adjustment(fact) for fact in past.facts.of(SettingAdjusted)],
    }


def _measured(finding: Mapping[str, Any]) -> dict[str, Any]:
    return {name: finding[name] for name in ("check", "subject", "verdict", "measured")}


def _adjustment(fact: Fact[SettingAdjusted]) -> dict[str, Any]:
    before, after = fact.data.before, fact.data.after
    return {
        "at": rfc3339(fact.at),
        "turns": figures(fact.data.turns.si, 6),
        "before": before.shown() if before else None,
        "after": after.shown() if after else None,
        "flow": fact.data.flow,
        "entry": fact.id,
    }


def _exchange(fact: Fact[AssetExchanged]) -> dict[str, Any]:
    return {
        "at": rfc3339(fact.at),
        "serial_out": fact.data.serial_out,
        "serial_in": fact.data.serial_in,
        "reason": fact.data.reason,
        "entry": fact.id,
    }


def _drift(tx: Connection, facility: str, known: Device, flow: str, now: datetime) -> dict[str, Any] | None:
    seen = [past.visit() for past in known.past]
    wandering = drifting.drift(drifting.stretches(seen, flow))
    if wandering is None:
        return None
    left = next((visit.as_left[flow] for visit in reversed(seen) if flow in visit.as_left), None)
    band, due_on = _band(known.register, flow), next_due(tx, facility, known.tag)
    outlook = drifting.outlook(wandering, left, band, due_on, now) if left and band and due_on else None
    return {
        "flow": flow,
        "kpa_a_year": figures(wandering.rate, 4),
        "low": _figures(wandering.low, 4),
        "high": _figures(wandering.high, 4),
        "says": wandering.says,
        "stretches": [_stretch(one) for one in wandering.stretches],
        "outlook": _outlook(outlook) if outlook else None,
    }


def _band(register: AssetRegistered, flow: str) -> Band | None:
    delivered = register.delivered_pressure
    return getattr(delivered, flow) if delivered is not None else None


def _stretch(one: drifting.Stretch) -> dict[str, Any]:
    return {
        "left": one.left.shown(),
        "found": one.found.shown(),
        "years": figures(one.years, 4),
        "kpa_a_year": figures(one.rate, 4),
    }


def _outlook(outlook: drifting.Outlook) -> dict[str, Any]:
    return {
        "on": outlook.on.isoformat(),
        "kpa": figures(outlook.expected, 4),
        "low": _figures(outlook.low, 4),
        "high": _figures(outlook.high, 4),
        "leaves": outlook.leaves,
        "says": outlook.says,
    }


def _figures(value: Decimal | None, count: int = 5) -> str | None:
    return figures(value, count) if value is not None else None
