"""The due list's view: for every service of every asset, what holds on which days."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import Any

import orjson
from sqlalchemy import Connection

from service.entries.asset import MeterRead
from service.entries.words import instant
from service.ledger import due
from service.ledger.entry import read_all
from service.ledger.known import asset_of
from service.ledger.rebuild import fold
from service.ledger.register import Facility
from service.store import due_list, views
from service.store import entries as stored

_FIRST_DAY = date(1900, 1, 1)


def refresh_due(tx: Connection, facility: Facility, tag: str) -> None:
    """All due periods of an asset; none once it is retired."""
    row = views.assets_by_tag(tx, facility.code, [tag]).get(tag)
    if row is None:
        return
    register = asset_of(row).register
    commissioned = register.commissioned_on.date if register.commissioned_on else None
    rows = []
    for plan in register.service if not row.retired else ():
        readings = _readings(tx, facility, tag, plan.meter) if plan.meter else ()
        anchors = _anchors(tx, facility, tag, plan.procedure)
        started = None if commissioned and any(anchor.day <= commissioned for anchor in anchors) else commissioned
        found = due.periods(plan, anchors, started, readings, started or _FIRST_DAY)
        common = {"facility": facility.code, "asset": tag, "procedure": plan.procedure, "gas": row.gas}
        rows += [{**common, **_period(period)} for period in found]
    due_list.put_due(tx, facility.code, tag, rows)


def refresh_due_below(tx: Connection, facility: Facility, tag: str) -> None:
    """The same for an asset and all that hang below it: they run on its meter."""
    waiting, seen = [tag], set[str]()
    while waiting:
        above = waiting.pop()
        if above not in seen:
            seen.add(above)
            refresh_due(tx, facility, above)
            waiting += views.children(tx, facility.code, above)


def _period(period: due.Period) -> dict[str, Any]:
    due_on, window_on, anchor = period.due.due_on, period.due.window_on, period.anchor
    return {
        "from_day": period.from_day.isoformat(),
        "to_day": period.to_day.isoformat(),
        "due_on": due_on.isoformat() if due_on else due_list.NEVER,
        "window_on": window_on.isoformat() if window_on else due_list.NEVER,
        "window_days": (due_on - window_on).days if due_on and window_on else 0,
        "baseline": anchor is not None,
        "why": period.due.why,
        "anchor": anchor.day.isoformat() if anchor else None,
        "rebuild": anchor.rebuild if anchor else None,
        "says": period.due.says,
    }


def _anchors(tx: Connection, facility: Facility, tag: str, procedure: str) -> list[due.Anchor]:
    """Closing days of conforming rebuilds, returned to service, by this procedure or one that satisfies it."""
    resets = [
        row
        for row in views.rebuilds_of(tx, facility.code, tag)
        if row.verdict == "conforming" and row.outcome == "returned_to_service"
    ]
    return [
        due.Anchor(facility.day(instant(row.closed_us)), row.rebuild)
        for row in sorted(resets, key=lambda row: (row.closed_us, row.rebuild))
        if row.procedure == procedure or procedure in _satisfied(tx, facility, row.procedure, row.revision)
    ]


def _satisfied(tx: Connection, facility: Facility, procedure: str, revision: int) -> list[str]:
    row = views.procedure(tx, facility.code, procedure, revision)
    return list(orjson.loads(row.body).get("satisfies", ())) if row else []


def _readings(tx: Connection, facility: Facility, tag: str, meter: str) -> tuple[due.Reading, ...]:
    """Readings of the meter on the asset itself, else on the nearest asset above it that has one."""
    above: str | None = tag
    seen = set[str]()
    while above is not None and above not in seen:
        seen.add(above)
        facts = [
            fact
            for fact in fold(read_all(stored.of_asset(tx, facility.code, above, ("meter.read",)))).facts.of(MeterRead)
            if fact.data.meter == meter
        ]
        if facts:
            return due.cumulative(
                (
                    fact.at,
                    facility.day(fact.at),
                    Decimal(fact.data.reading),
                    Decimal(fact.data.replaced.final_reading) if fact.data.replaced else None,
                )
                for fact in facts
            )
        row = views.assets_by_tag(tx, facility.code, [above]).get(above)
        above = row.parent if row else None
    return ()
