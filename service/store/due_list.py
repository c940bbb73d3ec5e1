"""The due list's table: for every service of every asset, periods of days and the due day that holds in them.

A state is a pair of bounds on indexed days, so a page costs the same at a thousand assets and at a million.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cache
from typing import Any

from sqlalchemy import (
    ColumnElement,
    Connection,
    Integer,
    Row,
    and_,
    bindparam,
    delete,
    func,
    literal_column,
    or_,
    select,
)

from service.store.prepared import Prepared
from service.store.put import put
from service.store.tables import assets, due

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


def page(tx: Connection, facility: str, wanted: Wanted) -> list[tuple[Any, ...]]:
    """The next periods (``SHOWN``), soonest first; one more than asked if there are more."""
    by_window = wanted.state == "due" and wanted.in_force
    known = {
        "facility": facility,
        "day": wanted.as_of.isoformat(),
        "most": wanted.limit + 1,
        "window_ends": _days_on(wanted.as_of, _longest_window(tx, facility)) if by_window else None,
        "within_ends": _days_on(wanted.as_of, wanted.within) if wanted.within is not None else None,
        "gas": wanted.gas,
        **dict(zip(_AFTER, wanted.after or (None, None, None), strict=True)),
    }
    given = {name: value for name, value in known.items() if value is not None}
    return _page(wanted.in_force, wanted.state, frozenset(given)).tuples(tx, **given)


_OF_PERIOD = ("asset", "procedure", "gas", "due_on", "window_on", "baseline", "why", "anchor", "rebuild", "says")
SHOWN = (*_OF_PERIOD, "out_of_service")
"""What a page has of each period, in this order; the last is the asset's."""
_AFTER = ("after_day", "after_asset", "after_procedure")


def _days_on(day: date, days: int) -> str:
    return (day + timedelta(days=days)).isoformat()


@cache
def _page(in_force: bool, state: str | None, given: frozenset[str]) -> Prepared:  # noqa: FBT001 - a key of the cache
    """The statement for one way of asking."""
    here = and_(assets.c.facility == due.c.facility, assets.c.tag == due.c.asset)
    conditions = [due.c.facility == bindparam("facility"), *_holding(in_force), *_in_state(state)]
    for name, column in (("window_ends", due.c.due_on), ("within_ends", due.c.due_on)):
        if name in given:
            conditions.append(column <= bindparam(name))
    if "gas" in given:
        conditions.append(due.c.gas == bindparam("gas"))
    if _AFTER[0] in given:
        conditions += _beyond()
    query = select(*(due.c[name] for name in _OF_PERIOD), assets.c.out_of_service).join(assets, here).where(*conditions)
    return Prepared(query.order_by(due.c.due_on, due.c.asset, due.c.procedure).limit(bindparam("most", type_=Integer)))


def of_asset(tx: Connection, facility: str, asset: str) -> list[Row[Any]]:
    """All due periods of one asset."""
    query = select(due).where(due.c.facility == facility, due.c.asset == asset)
    return list(tx.execute(query.order_by(due.c.procedure, due.c.from_day)))


def _holding(in_force: bool) -> list[ColumnElement[bool]]:  # noqa: FBT001 - a key of the cache above
    if in_force:
        return [due.c.to_day == _LAST_DAY]
    return [due.c.from_day <= bindparam("day"), due.c.to_day > bindparam("day")]


def _in_state(state: str | None) -> list[ColumnElement[bool]]:
    day: Any = bindparam("day")
    match state:
        case "overdue":
            return [due.c.due_on < day]
        case "due":
            return [due.c.due_on >= day, due.c.window_on <= day]
        case "not_due":
            return [due.c.due_on > day, due.c.window_on > day, due.c.baseline.is_(True)]
        case "no_baseline":
            return [due.c.due_on == _NEVER, due.c.baseline.is_(False)]
        case _:
            return []


def _longest_window(tx: Connection, facility: str) -> int:
    """The longest service window in force, days: nothing due later than that can be due now."""
    return int(_LONGEST.first(tx, facility=facility)[0] or 0)


_LAST_DAY: Any = literal_column(f"'{LAST_DAY}'")
_NEVER: Any = literal_column(f"'{NEVER}'")
_LONGEST = Prepared(
    select(func.max(due.c.window_days)).where(
        due.c.facility == bindparam("facility"), due.c.to_day == literal_column(f"'{LAST_DAY}'")
    )
)


def _beyond() -> list[ColumnElement[bool]]:
    bounds: list[Any] = [bindparam(name) for name in _AFTER]
    day, asset, procedure = bounds
    later = or_(due.c.asset > asset, and_(due.c.asset == asset, due.c.procedure > procedure))
    return [due.c.due_on >= day, or_(due.c.due_on > day, and_(due.c.due_on == day, later))]
