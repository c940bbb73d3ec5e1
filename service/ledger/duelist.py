"""The due list's view: for every service of every asset, what holds on which days."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from decimal import Decimal
from typing import Any, cast

from sqlalchemy import Connection

from service.entries.asset import MeterRead
from service.entries.words import instant
from service.ledger import due
from service.ledger.entry import read_all
from service.ledger.memory import Memory
from service.ledger.rebuild import fold
from service.store import due_list, views
from service.store import entries as stored

_FIRST_DAY = date(1900, 1, 1)


def refresh_due(tx: Connection, memory: Memory, tag: str) -> None:
    """All due periods of an asset; none once it is retired."""
    row = memory.asset_rows(tx, [tag]).get(tag)
    if row is None:
        return
    register, rows = memory.assets(tx, [tag])[tag].register, []
    commissioned = register.commissioned_on.date if register.commissioned_on else None
    for plan in register.service if not row.retired else ():
        readings = _readings(tx, memory, tag, plan.meter) if plan.meter else ()
        anchors = _anchors(tx, memory, tag, plan.procedure)
        started = None if commissioned and any(anchor.day <= commissioned for anchor in anchors) else commissioned
        found = due.periods(plan, anchors, started, readings, started or _FIRST_DAY)
        common = {"facility": memory.code, "asset": tag, "procedure": plan.procedure, "gas": row.gas}
        rows += [{**common, **_period(period)} for period in found]
    due_list.put_due(tx, memory.code, tag, rows)


def refresh_due_below(tx: Connection, memory: Memory, tag: str, meter: str = "") -> None:
    """The same for an asset and all that hang below it, as far as they are serviced by that meter, or any."""
    below = memory.below.seen((tag, meter))
    if below is None:
        below = memory.below.keep((tag, meter), tuple(_serviced_by_meter(tx, memory, tag, meter)))
    for each in below:
        refresh_due(tx, memory, each)


def _serviced_by_meter(tx: Connection, memory: Memory, tag: str, meter: str) -> Iterator[str]:
    waiting, seen = [tag], set[str]()
    while waiting:
        above = waiting.pop()
        asset = memory.assets(tx, [above]).get(above)
        if asset is None or above in seen:
            continue
        seen.add(above)
        if any(plan.meter and meter in {plan.meter, ""} for plan in asset.register.service):
            yield above
        waiting += views.children(tx, memory.code, above)


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


def _anchors(tx: Connection, memory: Memory, tag: str, procedure: str) -> list[due.Anchor]:
    """Closing days of conforming rebuilds, returned to service, by this procedure or one that satisfies it."""
    facility = memory.facility(tx)
    resets = [
        row
        for row in views.rebuilds_of(tx, memory.code, tag)
        if row.verdict == "conforming" and row.outcome == "returned_to_service"
    ]
    return [
        due.Anchor(facility.day(instant(row.closed_us)), row.rebuild)
        for row in sorted(resets, key=lambda row: (row.closed_us, row.rebuild))
        if row.procedure == procedure or procedure in _satisfied(tx, memory, row.procedure, row.revision)
    ]


def _satisfied(tx: Connection, memory: Memory, procedure: str, revision: int) -> list[str]:
    published = memory.procedure(tx, procedure, revision)
    return list(published.satisfies) if published else []


def _readings(tx: Connection, memory: Memory, tag: str, meter: str) -> tuple[due.Reading, ...]:
    """Readings of the meter on the asset itself, else on the nearest asset above it that has one."""
    facility, above, seen = memory.facility(tx), cast("str | None", tag), set[str]()
    while above is not None and above not in seen:
        seen.add(above)
        facts = [
            fact
            for fact in fold(read_all(stored.of_asset(tx, memory.code, above, ("meter.read",)))).facts.of(MeterRead)
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
        row = memory.asset_rows(tx, [above]).get(above)
        above = row.parent if row else None
    return ()
