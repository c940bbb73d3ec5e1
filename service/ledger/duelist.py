"""The due list's view: for every service of every asset, what holds on which days."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from collections.abc import Set as AbstractSet
from datetime import date, datetime
from decimal import Decimal
from typing import Any, cast

from sqlalchemy import Connection, Row

from service.checks.job import Fact
from service.entries.asset import AssetExchanged, MeterRead
from service.entries.words import instant
from service.ledger import due
from service.ledger.entry import Entry, read_all
from service.ledger.memory import Memory
from service.ledger.meter import Metered, Reading, RunningCount
from service.ledger.rebuild import fold, plain_fact
from service.ledger.register import Asset, Facility
from service.store import due_list, views
from service.store import entries as stored

_FIRST_DAY = date(1900, 1, 1)


def refresh_due(tx: Connection, memory: Memory, tags: Iterable[str]) -> None:
    """All due periods of these assets; none of one that is retired."""
    wanted = list(tags)
    registers = memory.assets(tx, wanted)
    _load(tx, memory, registers)
    new: list[dict[str, Any]] = []
    for tag, asset in registers.items():
        new += _put(tx, memory, tag, {} if asset.retired else _rows(tx, memory, asset))
    due_list.put_due(tx, new)


def _rows(tx: Connection, memory: Memory, asset: Asset) -> dict[tuple[str, str], dict[str, Any]]:
    register, rows = asset.register, {}
    commissioned = register.commissioned_on.date if register.commissioned_on else None
    for plan in register.service:
        readings = _readings(tx, memory, asset.tag, plan.meter) if plan.meter else ()
        anchors = _anchors(tx, memory, asset.tag, plan.procedure)
        started = None if commissioned and any(anchor.day <= commissioned for anchor in anchors) else commissioned
        common = {"facility": memory.code, "asset": asset.tag, "procedure": plan.procedure, "gas": register.gas}
        for period in due.periods(plan, anchors, started, readings, started or _FIRST_DAY):
            told = _period(period)
            told["says"] += _exchanged(tx, memory, asset.tag, period)
            rows[str(plan.procedure), period.from_day.isoformat()] = {**common, **told}
    return rows


def _exchanged(tx: Connection, memory: Memory, tag: str, period: due.Period) -> str:
    """Words about another device that came into the position since the anchor: it moves no date, however fresh it is.

    The date follows the position, as the work asked for there does; the device takes its history along instead.
    """
    if period.anchor is None:
        return ""
    facility, closed = memory.facility(tx), _closed_at(memory, tag, period.anchor)
    since = [
        fact
        for fact in _exchanges(tx, memory, tag)
        if period.from_day <= facility.day(fact.at) < period.to_day and (closed is None or fact.at > closed)
    ]
    if not since:
        return ""
    told = ", ".join(f"{facility.day(fact.at)} ({_devices(fact.data)})" for fact in since)
    return f"; device exchanged {told}: the date follows the position, only a rebuild recorded there moves it"


def _devices(exchange: AssetExchanged) -> str:
    return f"{exchange.serial_out or 'no serial told'} out, {exchange.serial_in} in"


def _closed_at(memory: Memory, tag: str, anchor: due.Anchor) -> datetime | None:
    """When the rebuild that a date is counted from was closed; None for the commissioning."""
    closings = (row.closed_us for row in memory.resets.seen(tag) or () if row.rebuild == anchor.rebuild)
    return next(map(instant, closings), None)


def _exchanges(tx: Connection, memory: Memory, tag: str) -> tuple[Fact[AssetExchanged], ...]:
    if tag not in memory.exchanges:
        _load_exchanges(tx, memory, [tag])
    return memory.exchanges[tag]


def _load_exchanges(tx: Connection, memory: Memory, tags: Iterable[str]) -> None:
    """Have the exchanges of these assets at hand; where the register never changed there are none to look for."""
    missing = [tag for tag in tags if tag not in memory.exchanges]
    changed = [tag for tag, row in memory.asset_rows(tx, missing).items() if row.changed_us]
    found = stored.exchanges(tx, memory.code, changed) if changed else {}
    for tag in missing:
        memory.exchanges.keep(tag, fold(read_all(found.get(tag, ()))).facts.of(AssetExchanged))


def _put(tx: Connection, memory: Memory, tag: str, rows: dict[tuple[str, str], dict[str, Any]]) -> list[dict[str, Any]]:
    """What has to be written so that these are an asset's rows; rows of other keys are cleared away."""
    before = memory.due.seen(tag)
    if before is None or not before.keys() <= rows.keys():
        due_list.clear_due(tx, memory.code, tag)
        before = {}
    memory.due.keep(tag, rows)
    return [row for key, row in rows.items() if before.get(key) != row]


def refresh_due_below(tx: Connection, memory: Memory, meters: Iterable[tuple[str, str]]) -> None:
    """The same for all that is serviced by these meters (tag, name), there or below it; an empty name is any meter."""
    wanted = list(meters)
    memory.load_children(tx, (tag for tag, _ in wanted))
    refresh_due(tx, memory, {tag for above, meter in wanted for tag in _serviced_by(tx, memory, above, meter)})


def _serviced_by(tx: Connection, memory: Memory, tag: str, meter: str) -> Iterator[str]:
    waiting, seen = [tag], set[str]()
    while waiting:
        above = waiting.pop()
        asset = memory.asset(tx, above)
        if asset is None or above in seen:
            continue
        seen.add(above)
        if any(plan.meter and meter in {plan.meter, ""} for plan in asset.register.service):
            yield above
        waiting += memory.children(tx, above)


def _load(tx: Connection, memory: Memory, assets: Mapping[str, Asset]) -> None:
    """Have rebuilds and readings of many assets at hand, read at once."""
    missing = [tag for tag in assets if tag not in memory.resets]
    for tag, rebuilds in views.rebuilds_of_each(tx, memory.code, missing).items() if missing else ():
        memory.resets.keep(tag, _resets(rebuilds))
    _load_exchanges(tx, memory, assets)
    metered = [asset for asset in assets.values() if any(plan.meter for plan in asset.register.service)]
    wanted = {
        (above, str(plan.meter))
        for asset in metered
        for above in (asset.tag, asset.register.parent)
        for plan in asset.register.service
        if plan.meter and above and (above, plan.meter) not in memory.counts
    }
    _count(tx, memory, wanted)


def read_on(tx: Connection, memory: Memory, tag: str, meter: str, entries: Iterable[Entry]) -> None:
    """Take new readings into the running count that is remembered; a late one wants it made anew, and so do
    corrections (``meter`` empty): they may be about any meter.

    Precondition: nothing was counted since the readings were written, or they would be counted twice.
    """
    if not meter:
        memory.forget_counts(tag)
        return
    if (count := memory.counts.seen((tag, meter))) is None:
        return
    for entry in entries:
        if not count.take(_metered(memory.facility(tx), cast("Fact[MeterRead]", plain_fact(entry)))):
            del memory.counts[tag, meter]
            return


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


def _readings(tx: Connection, memory: Memory, tag: str, meter: str) -> tuple[Reading, ...]:
    """Readings of the meter on the asset itself, else on the nearest asset above it that has one."""
    above, seen = cast("str | None", tag), set[str]()
    while above is not None and above not in seen:
        seen.add(above)
        if (above, meter) not in memory.counts:
            _count(tx, memory, {(above, meter)})
        count = memory.counts[above, meter]
        if count.readings:
            return count.readings
        asset = memory.asset(tx, above)
        above = asset.register.parent if asset else None
    return ()


def _count(tx: Connection, memory: Memory, wanted: AbstractSet[tuple[str, str]]) -> None:
    """Make the running counts of these meters (asset, name)."""
    facility = memory.facility(tx)
    found = stored.readings(tx, memory.code, {asset for asset, _ in wanted}) if wanted else {}
    for asset, entries in found.items():
        facts = fold(read_all(entries)).facts.of(MeterRead)
        for meter in {name for each, name in wanted if each == asset}:
            read = (_metered(facility, fact) for fact in facts if fact.data.meter == meter)
            memory.counts.keep((asset, meter), RunningCount(read))


def _metered(facility: Facility, fact: Fact[MeterRead]) -> Metered:
    replaced, carried = fact.data.replaced, None
    if replaced is not None:
        carried = Decimal(replaced.final_reading) - Decimal(replaced.initial_reading or 0)
    return fact.at, facility.day(fact.at), Decimal(fact.data.reading), carried
