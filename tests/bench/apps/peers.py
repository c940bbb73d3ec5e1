"""Peers that keep a durable append each in their own way, behind the same kind of route: an event store, a tree, a table.

Each route validates the body as the plain peer does. A file of its own for each: named in the environment.
"""

from __future__ import annotations

import os
from typing import Any
from uuid import UUID

from fastapi import FastAPI

from tests.bench.apps.bare import MeterReadEntry

FILE = "BENCH_PEER_FILE"
TABLE = "kept"
COLUMNS = "id TEXT PRIMARY KEY, type TEXT, occurred_at TEXT, asset TEXT, by TEXT, data TEXT"


def event_store() -> FastAPI:
    """The eventsourcing package: one event an entry, by its SQLite recorder."""
    from eventsourcing.persistence import StoredEvent
    from eventsourcing.sqlite import SQLiteAggregateRecorder, SQLiteDatastore

    recorder = SQLiteAggregateRecorder(SQLiteDatastore(os.environ[FILE], lock_timeout=60, pool_size=64))
    recorder.create_table()
    peer = FastAPI()

    @peer.post("/entries", status_code=201)
    def post(entry: MeterReadEntry) -> dict[str, str | None]:
        event = StoredEvent(UUID(entry.id), 1, entry.type, entry.model_dump_json(exclude_unset=True).encode())
        recorder.insert_events([event])
        return {"id": entry.id}

    return peer


def tree() -> FastAPI:
    """The pymerkle package: one leaf an entry, in its SQLite tree."""
    from pymerkle import SqliteTree

    kept = SqliteTree(os.environ[FILE])
    peer = FastAPI()

    @peer.post("/entries", status_code=201)
    def post(entry: MeterReadEntry) -> dict[str, int | str | None]:
        leaf = kept.append_entry(entry.model_dump_json(exclude_unset=True).encode())
        return {"id": entry.id, "leaf": leaf}

    return peer


def table() -> Any:
    """The datasette package: one row an entry, by its insert API, open to everybody. It validates nothing."""
    from datasette.app import Datasette

    return Datasette([os.environ[FILE]], config={"permissions": {"insert-row": True}}).app()
