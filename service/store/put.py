"""Rows written into a view, in the place of those with the same key."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cache
from typing import Any

from sqlalchemy import Connection, Table, bindparam
from sqlalchemy.dialects import postgresql, sqlite

from service.store.prepared import Prepared


def put(tx: Connection, table: Table, rows: Sequence[Mapping[str, Any]]) -> None:
    """Insert rows, or replace those with the same key; every row names the same columns."""
    if rows:
        _upsert(table, tx.dialect.name, tuple(rows[0])).run_many(tx, rows)


@cache
def _upsert(table: Table, dialect: str, names: tuple[str, ...]) -> Prepared:
    insert = sqlite.insert(table) if dialect == "sqlite" else postgresql.insert(table)
    insert = insert.values({name: bindparam(name) for name in names})
    keys = [column.name for column in table.primary_key]
    others = {name: insert.excluded[name] for name in names if name not in keys}
    return Prepared(
        insert.on_conflict_do_update(index_elements=keys, set_=others) if others else insert.on_conflict_do_nothing()
    )
