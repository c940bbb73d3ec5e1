"""The tables as they are, for whoever mistrusts them: whole rows, ranges of nodes, views row by row."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from sqlalchemy import Column, Connection, String, Table, func, select

from service.store.tables import VIEWS, entries, marks, nodes

COMPARED = tuple(table for table in VIEWS if table is not marks)
_AT_ONCE = 500


def entry_rows(tx: Connection, facility: str, after: int, limit: int) -> list[dict[str, Any]]:
    """The next entries with all their columns."""
    query = select(entries).where(entries.c.facility == facility, entries.c.seq > after)
    return [dict(row) for row in tx.execute(query.order_by(entries.c.seq).limit(limit)).mappings()]


def node_range(tx: Connection, facility: str, start: int, end: int) -> dict[int, bytes]:
    """The nodes from a position up to another (excluded) that are there."""
    query = select(nodes.c.position, nodes.c.hash).where(
        nodes.c.facility == facility, nodes.c.position >= start, nodes.c.position < end
    )
    return {row.position: bytes(row.hash) for row in tx.execute(query)}


def beyond(tx: Connection, facility: str, size: int, node_count: int) -> tuple[int, int]:
    """How many entries and nodes there are beyond where the head says that the ledger ends."""
    late = select(func.count()).select_from(entries).where(entries.c.facility == facility, entries.c.seq > size)
    more = select(func.count()).select_from(nodes).where(nodes.c.facility == facility, nodes.c.position >= node_count)
    return int(tx.execute(late).scalar_one()), int(tx.execute(more).scalar_one())


def waiting(tx: Connection, facility: str) -> int:
    """How many rebuilds wait to be judged again."""
    return int(tx.execute(select(func.count()).select_from(marks).where(marks.c.facility == facility)).scalar_one())


def view_rows(tx: Connection, table: Table, facility: str) -> Iterator[tuple[tuple[Any, ...], dict[str, Any]]]:
    """(key, row) of a view, in the order of the keys' code points, on either engine."""
    keys = list(table.primary_key.columns)
    query = select(table).where(table.c.facility == facility).order_by(*_by_code_point(tx, keys))
    for row in tx.execute(query, execution_options={"yield_per": _AT_ONCE}).mappings():
        yield tuple(row[column.name] for column in keys), dict(row)


def _by_code_point(tx: Connection, keys: Sequence[Column[Any]]) -> list[Any]:
    text = "C" if tx.dialect.name == "postgresql" else "BINARY"
    return [column.collate(text) if isinstance(column.type, String) else column for column in keys]
