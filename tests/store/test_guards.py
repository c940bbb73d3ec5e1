"""The ledger's tables take nothing but an append, whoever asks."""

from __future__ import annotations

import pytest
from sqlalchemy import text
from sqlalchemy.exc import DBAPIError

from service.store.engine import Store

_ENTRY = (
    "INTO entries (facility, seq, id, type, occurred_us, recorded_us, body) "
    "VALUES ('skerry', 1, 'a', 'note.added', 0, 0, '{}')"
)


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE entries SET body = 'other'",
        "DELETE FROM entries",
        "UPDATE nodes SET hash = hash",
        "DELETE FROM nodes",
    ],
)
def test_what_is_recorded_is_neither_changed_nor_deleted(store: Store, statement: str) -> None:
    with store.writing() as tx:
        tx.execute(text(f"INSERT {_ENTRY}"))
        tx.execute(text("INSERT INTO nodes VALUES ('skerry', 0, :hash)"), {"hash": b"0" * 32})
    with pytest.raises(DBAPIError, match="append-only"), store.writing() as tx:
        tx.execute(text(statement))


def test_replacing_an_entry_is_refused(store: Store) -> None:
    replace = f"INSERT OR REPLACE {_ENTRY}"
    if not store.is_sqlite:
        replace = f"INSERT {_ENTRY} ON CONFLICT (facility, seq) DO UPDATE SET body = 'other'"
    with store.writing() as tx:
        tx.execute(text(f"INSERT {_ENTRY}"))
    with pytest.raises(DBAPIError, match="append-only"), store.writing() as tx:
        tx.execute(text(replace))


@pytest.mark.parametrize("table", ["entries", "nodes"])
def test_emptying_the_ledger_at_a_stroke_is_refused(store: Store, table: str) -> None:
    statement = f"DELETE FROM {table}" if store.is_sqlite else f"TRUNCATE {table}"
    with store.writing() as tx:
        tx.execute(text(f"INSERT {_ENTRY}"))
        tx.execute(text("INSERT INTO nodes VALUES ('skerry', 0, :hash)"), {"hash": b"0" * 32})
    with pytest.raises(DBAPIError, match="append-only"), store.writing() as tx:
        tx.execute(text(statement))
