"""The plain peer: FastAPI with SQLModel, a session for each request and a commit in each, on SQLite.

Written as such a route is usually written: a ``def`` route, a model that is the table, add, commit, refresh. Two
databases: one as SQLite comes (rollback journal, synchronous FULL), one with a write-ahead log and the same synchronous
FULL that the service has, so that both are as durable as the service is.
"""

from __future__ import annotations

import os
from collections.abc import Iterator

from fastapi import Depends, FastAPI
from sqlalchemy import JSON, Column, Engine, event
from sqlmodel import Field, Session, SQLModel, create_engine

from tests.bench.apps.bare import MeterReadEntry

FILE = "BENCH_PLAIN_FILE"
_PATIENCE = 60
"""Seconds a connection waits for another to release the database: with the usual five, some requests fail."""
_POOL = 64
"""Connections: with the usual fifteen, 64 clients lock each other out (all threads wait for a connection)."""


class Kept(SQLModel, table=True):
    """An entry as a table keeps it."""

    id: str = Field(primary_key=True)
    type: str
    occurred_at: str
    asset: str = Field(index=True)
    by: str | None = None
    data: dict[str, str] = Field(sa_column=Column(JSON))


def app() -> FastAPI:
    """As SQLite comes."""
    return _routes(_engine(os.environ[FILE]))


def app_with_log() -> FastAPI:
    """With a write-ahead log."""
    engine = _engine(os.environ[FILE])

    @event.listens_for(engine, "connect")
    def _prepare(connection: object, _: object) -> None:
        cursor = connection.cursor()  # type: ignore[attr-defined]
        cursor.execute("PRAGMA journal_mode=WAL")
        cursor.execute("PRAGMA synchronous=FULL")
        cursor.close()

    return _routes(engine)


def _engine(file: str) -> Engine:
    arguments = {"check_same_thread": False, "timeout": _PATIENCE}
    return create_engine(f"sqlite:///{file}", connect_args=arguments, pool_size=_POOL)


def _routes(engine: Engine) -> FastAPI:
    SQLModel.metadata.create_all(engine, tables=[Kept.__table__])  # type: ignore[attr-defined]
    plain = FastAPI()

    def session() -> Iterator[Session]:
        with Session(engine) as opened:
            yield opened

    @plain.post("/entries", status_code=201)
    def post(entry: MeterReadEntry, opened: Session = Depends(session)) -> Kept:  # noqa: B008, FAST002 - as usual
        kept = Kept(
            **entry.model_dump(include={"id", "type", "occurred_at", "asset", "by", "data"}, exclude_unset=True)
        )
        opened.add(kept)
        opened.commit()
        opened.refresh(kept)
        return kept

    return plain
