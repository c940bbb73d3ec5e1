"""The due list's view: for every service of every asset, what holds on which days."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import date
from decimal import Decimal
from typing import Any, cast

from sqlalchemy import Connection, Row

from service.checks.job import Fact
from service.entries.asset import MeterRead
from service.entries.words import instant
from service.ledger import due
from service.ledger.entry import Entry, read_all
from service.ledger.memory import Memory
from service.ledger.rebuild import fold, plain_fact
from service.ledger.register import Facility
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
    _put(tx, memory, tag, {(str(one["procedure"]), str(one["from_day"])): one for one in rows})


def _put(tx: Connection, memory: Memory, tag: str, rows: dict[tuple[str, str], dict[str, Any]]) -> None:
    """Write what is not there yet."""
    before = memory.due.seen(tag)
    if before is None or not before.keys() <= rows.keys():
        due_list.put_due(tx, memory.code, tag, list(rows.values()))
    else:
        due_list.add_due(tx, [row for key, row in rows.items() if before.get(key) != row])
    memory.due.keep(tag, rows)


def read_on(tx: Connection, memory: Memory, tag: str, meter: str, entries: Iterable[Entry]) -> None:
    """Take new readings into the running count that is remembered; a correction or a late one wants it made anew."""
    count, facility = memory.counts.seen((tag, meter)), memory.facility(tx)
    if count is None:
        return
    for entry in entries:
        if entry.type != "meter.read" or not count.take(_metered(facility, cast("Fact[MeterRead]", plain_fact(entry)))):
            memory.counts.pop((tag, meter))
            return


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
    resets = memory.resets.seen(tag)
    if resets is None:
        resets = memory.resets.keep(tag, _resets(views.rebuilds_of(tx, memory.code, tag)))
    return [
        due.Anchor(facility.day(instant(row.closed_us)), row.rebuild)
        for row in resets
        if row.procedure == procedure or procedure in _satisfied(tx, memory, row.procedure, row.revision)
    ]


def _resets(rebuilds: Iterable[Row[Any]]) -> list[Row[Any]]:
    good = [row for row in rebuilds if row.verdict == "conforming" and row.outcome == "returned_to_service"]
    return sorted(good, key=lambda row: (row.closed_us, row.rebuild))


def _satisfied(tx: Connection, memory: Memory, procedure: str, revision: int) -> list[str]:
    published = memory.procedure(tx, procedure, revision)
    return list(published.satisfies) if published else []


def _readings(tx: Connection, memory: Memory, tag: str, meter: str) -> tuple[due.Reading, ...]:
    """Readings of the meter on the asset itself, else on the nearest asset above it that has one."""
    above, seen = cast("str | None", tag), set[str]()
    while above is not None and above not in seen:
        seen.add(above)
        count = memory.counts.seen((above, meter)) or _count(tx, memory, above, meter)
        if count.readings:
            return count.readings
        row = memory.asset_rows(tx, [above]).get(above)
        above = row.parent if row else None
    return ()


def _count(tx: Connection, memory: Memory, tag: str, meter: str) -> due.RunningCount:
    facility = memory.facility(tx)
    facts = fold(read_all(stored.of_asset(tx, memory.code, tag, ("meter.read",)))).facts.of(MeterRead)
    count = due.RunningCount(_metered(facility, fact) for fact in facts if fact.data.meter == meter)
    return memory.counts.keep((tag, meter), count)


def _metered(facility: Facility, fact: Fact[MeterRead]) -> due.Metered:
    final = fact.data.replaced.final_reading if fact.data.replaced else None
    reading = Decimal(fact.data.reading)
    return fact.at, facility.day(fact.at), reading, Decimal(final) if final is not None else None
