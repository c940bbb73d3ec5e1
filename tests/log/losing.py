"""Hands that get past the guards: what a backup, a disk or somebody with the database's password does."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from sqlalchemy import Connection, text

from service.merkle import tree
from service.store import entries as stored
from service.store import tree as nodes
from service.store.engine import Store


@contextmanager
def unguarded(url: str) -> Iterator[Connection]:
    """A transaction in which no trigger looks."""
    store = Store(url)
    try:
        with store.writing() as tx:
            guards = _put_aside(tx) if store.is_sqlite else ()
            if not store.is_sqlite:
                tx.execute(text("SET LOCAL session_replication_role = replica"))
            yield tx
            for guard in guards:
                tx.exec_driver_sql(guard)
    finally:
        store.close()


def _put_aside(tx: Connection) -> list[str]:
    found = tx.execute(text("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'")).all()
    for name, _ in found:
        tx.exec_driver_sql(f"DROP TRIGGER {name}")
    return [sql for _, sql in found]


def lose_last(url: str, facility: str, count: int) -> None:
    """The database as it was so many entries ago: entries, nodes and head."""
    with unguarded(url) as tx:
        head = stored.read_head(tx, facility)
        assert head is not None
        size = head.size - count
        edge = tree.read_edge(size, lambda positions: nodes.read_nodes(tx, facility, positions))
        told: dict[str, Any] = {"facility": facility, "size": size, "position": tree.node_count(size)}
        tx.execute(text("DELETE FROM entries WHERE facility = :facility AND seq > :size"), told)
        tx.execute(text("DELETE FROM nodes WHERE facility = :facility AND position >= :position"), told)
        stored.move_head(tx, facility, size, tree.root(edge), head.recorded_us)


def change(url: str, statement: str, **values: Any) -> None:
    """One statement behind the guards; it has to change something."""
    with unguarded(url) as tx:
        assert tx.execute(text(statement), values).rowcount > 0
