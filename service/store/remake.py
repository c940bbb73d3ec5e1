"""The views thrown away, made again, and compared."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sqlalchemy import Connection, and_, delete, select

from service.store.tables import VIEWS, marks, rebuilds


def clear(tx: Connection, facility: str) -> None:
    """Throw the views of a facility away."""
    for table in VIEWS:
        tx.execute(delete(table).where(table.c.facility == facility))


def contents(tx: Connection, facility: str) -> dict[str, list[tuple[Any, ...]]]:
    """Every row of every view of a facility, in a fixed order: what a replay must give again."""
    found = {}
    for table in VIEWS:
        query = select(table).where(table.c.facility == facility).order_by(*table.primary_key.columns)
        found[table.name] = [tuple(row) for row in tx.execute(query)]
    return found


def set_judged(tx: Connection, facility: str, rebuild_id: str, judged: Mapping[str, Any]) -> None:
    """Write down what was judged last."""
    mine = and_(rebuilds.c.facility == facility, rebuilds.c.rebuild == rebuild_id)
    tx.execute(rebuilds.update().where(mine).values(judged))


def clear_marks(tx: Connection, facility: str) -> None:
    """Nothing waits to be judged again."""
    tx.execute(delete(marks).where(marks.c.facility == facility))
