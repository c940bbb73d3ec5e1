"""Engine and transactions, the same for SQLite and PostgreSQL.

A writer takes the write lock at once (``BEGIN IMMEDIATE``; on PostgreSQL the row lock on the head comes with the
first read of it), because a lock taken late is a lost sequence number.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.engine import make_url
from sqlalchemy.exc import ArgumentError

_PRAGMAS = (
    "PRAGMA journal_mode=WAL",
    "PRAGMA synchronous=FULL",
    "PRAGMA foreign_keys=ON",
    "PRAGMA recursive_triggers=ON",
    "PRAGMA busy_timeout=10000",
    "PRAGMA cache_size=-65536",
)


class Store:
    """A database that ``migrate`` has brought up to date.

    Args:
        url: an SQLAlchemy URL; ``postgresql://`` is taken as psycopg's.

    Raises:
        ArgumentError: no URL, or of another kind of database.
    """

    def __init__(self, url: str) -> None:
        parsed = make_url(url)
        if parsed.drivername in {"postgresql", "postgres"}:
            parsed = parsed.set(drivername="postgresql+psycopg")
        if parsed.get_backend_name() not in {"sqlite", "postgresql"}:
            raise ArgumentError(f"{parsed.get_backend_name()} is none of sqlite and postgresql")
        self.url = parsed.render_as_string(hide_password=False)
        self.shown = parsed.render_as_string(hide_password=True)
        self.file = parsed.database if parsed.get_backend_name() == "sqlite" else None
        self.is_sqlite = parsed.get_backend_name() == "sqlite"
        self.engine = _sqlite(self.url) if self.is_sqlite else create_engine(self.url, pool_pre_ping=True)

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A connection that sees one state of the database and writes nothing."""
        with self.engine.connect() as connection:
            if not self.is_sqlite:
                connection.execution_options(isolation_level="REPEATABLE READ")
            try:
                yield connection
            finally:
                connection.rollback()

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """One transaction: committed at the end, rolled back on any exception."""
        with self.engine.connect() as connection, connection.execution_options(writes=True).begin():
            yield connection

    def close(self) -> None:
        """Give the connections back."""
        self.engine.dispose()


def _sqlite(url: str) -> Engine:
    engine = create_engine(url, connect_args={"check_same_thread": False, "timeout": 10})

    @event.listens_for(engine, "connect")
    def _prepare(connection: Any, _record: Any) -> None:
        connection.isolation_level = None  # we say BEGIN ourselves
        cursor = connection.cursor()
        for pragma in _PRAGMAS:
            cursor.execute(pragma)
        cursor.close()

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        writes = connection.get_execution_options().get("writes", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    return engine
