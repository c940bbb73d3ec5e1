"""The due list's table: for every service of every asset, periods of days and the due day that holds in them.

A state is a pair of bounds on indexed days, so a page costs the same at a thousand assets and at a million.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from sqlalchemy import ColumnElement, Connection, Row, and_, bindparam, delete, func, or_, select

from service.store.prepared import Prepared
from service.store.tables import assets, due
from service.store.views import put

LAST_DAY = "9999-12-31"
"""End of a period that still holds."""
NEVER = "9999-12-30"
"""Stands for a due day that is not known: last in the list, and never overdue."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """What a page of the due list is asked for; ``after`` is (due_on, asset, procedure) of the last item seen."""

    as_of: date
    in_force: bool
    """From the present day on only what still holds can apply, and the index leads straight to it."""
    state: str | None = None
    within: int | None = None
    gas: str | None = None
    after: tuple[str, str, str] | None = None
    limit: int = 50


def clear_due(tx: Connection, facility: str, asset: str) -> None:
    """Forget the due periods of an asset."""
    _CLEAR.run(tx, facility=facility, asset=asset)


_CLEAR = Prepared(delete(due).where(due.c.facility == bindparam("facility"), due.c.asset == bindparam("asset")))


def put_due(tx: Connection, rows: Sequence[Mapping[str, Any]]) -> None:
    """Write due periods, in the place of those with the same key."""
    put(tx, due, rows)


def page(tx: Connection, facility: str, wanted: Wanted) -> list[Row[Any]]:
    """The next periods, soonest first, with their asset's ``out_of_service``; one more than asked if there are more."""
    here = and_(assets.c.facility == due.c.facility, assets.c.tag == due.c.asset)
    query = select(due, assets.c.out_of_service).join(assets, here)
    query = query.where(due.c.facility == facility, *_holding(wanted), *_in_state(tx, facility, wanted))
    if wanted.within is not None:
        query = query.where(due.c.due_on <= (wanted.as_of + timedelta(days=wanted.within)).isoformat())
    if wanted.gas is not None:
        query = query.where(due.c.gas == wanted.gas)
    if wanted.after is not None:
        query = query.where(*_beyond(*wanted.after))
    return list(tx.execute(query.order_by(due.c.due_on, due.c.asset, due.c.procedure).limit(wanted.limit + 1)))


def of_asset(tx: Connection, facility: str, asset: str) -> list[Row[Any]]:
    """All due periods of one asset."""
    query = select(due).where(due.c.facility == facility, due.c.asset == asset)
    return list(tx.execute(query.order_by(due.c.procedure, due.c.from_day)))


def _holding(wanted: Wanted) -> list[ColumnElement[bool]]:
    if wanted.in_force:
        return [due.c.to_day == LAST_DAY]
    day = wanted.as_of.isoformat()
    return [due.c.from_day <= day, due.c.to_day > day]


def _in_state(tx: Connection, facility: str, wanted: Wanted) -> list[ColumnElement[bool]]:
    day = wanted.as_of.isoformat()
    match wanted.state:
        case "overdue":
            return [due.c.due_on < day]
        case "due":
            here = [due.c.due_on >= day, due.c.window_on <= day]
            if wanted.in_force:
                last = wanted.as_of + timedelta(days=_longest_window(tx, facility))
                here.append(due.c.due_on <= last.isoformat())
            return here
        case "not_due":
            return [due.c.due_on > day, due.c.window_on > day, due.c.baseline.is_(True)]
        case "no_baseline":
            return [due.c.due_on == NEVER, due.c.baseline.is_(False)]
        case _:
            return []


def _longest_window(tx: Connection, facility: str) -> int:
    """The longest service window in force, days: nothing due later than that can be due now."""
    query = select(func.max(due.c.window_days)).where(due.c.facility == facility, due.c.to_day == LAST_DAY)
    return int(tx.execute(query).scalar() or 0)


def _beyond(day: str, asset: str, procedure: str) -> tuple[ColumnElement[bool], ...]:
    later = or_(due.c.asset > asset, and_(due.c.asset == asset, due.c.procedure > procedure))
    return (due.c.due_on >= day, or_(due.c.due_on > day, and_(due.c.due_on == day, later)))
