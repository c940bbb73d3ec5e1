"""Engine and transactions, the same for SQLite and PostgreSQL.

A writer takes the write lock at once (``BEGIN IMMEDIATE``; on PostgreSQL the row lock on the head comes with the
first read of it), because a lock taken late is a lost sequence number.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.engine import make_url
from sqlalchemy.exc import ArgumentError

from service.store.prepared import execute

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
        self.is_sqlite = parsed.get_backend_name() == "sqlite"
        self._ready: deque[Connection] = deque()
        self.engine = _sqlite(self.url) if self.is_sqlite else create_engine(self.url, pool_pre_ping=True)

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A connection that sees one state of the database and writes nothing."""
        if self.is_sqlite:
            with self._at_hand("BEGIN") as connection:
                yield connection
            return
        with self.engine.connect() as connection:
            connection.execution_options(isolation_level="REPEATABLE READ")
            connection.begin()  # what is prepared does not do so by itself
            try:
                yield connection
            finally:
                connection.rollback()

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """One transaction: committed at the end, rolled back on any exception."""
        if self.is_sqlite:
            with self._at_hand("BEGIN IMMEDIATE") as connection:
                yield connection
                execute(connection, "COMMIT")
            return
        with self.engine.connect() as connection, connection.begin():
            yield connection

    @contextmanager
    def _at_hand(self, begin: str) -> Iterator[Connection]:
        """An SQLite connection that is kept ready, in a transaction begun so; rolled back unless committed before.

        The engine believes it in one long transaction: beginning, ending and giving back each time costs more than a
        short question.
        """
        try:
            connection = self._ready.pop()
        except IndexError:
            connection = self._opened()
        driver: Any = connection.connection.driver_connection
        try:
            execute(connection, begin)
            yield connection
        finally:
            driver.rollback()
            self._ready.append(connection)

    def _opened(self) -> Connection:
        """One more: the last was taken, perhaps by another thread just now."""
        connection = self.engine.connect()
        connection.begin()
        return connection

    def close(self) -> None:
        """Give the connections back."""
        while self._ready:
            self._ready.pop().close()
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

    return engine
