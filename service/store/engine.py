"""Engine and transactions, the same for SQLite and PostgreSQL.

A writer takes the write lock at once (``BEGIN IMMEDIATE``; on PostgreSQL the row lock on the head comes with the
first read of it), because a lock taken late is a lost sequence number. On PostgreSQL a writer sees what was committed
before each of its statements (``READ COMMITTED``): what it reads once it has the lock is what the last one left there.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from sqlalchemy import URL, Connection, Engine, create_engine, event
from sqlalchemy.engine import make_url
from sqlalchemy.exc import ArgumentError, DBAPIError

from service.store.alone import Alone
from service.store.prepared import execute

_PATIENCE_S = 10
"""How long a writer waits for another that writes to the same SQLite file."""
_PRAGMAS = (
    "PRAGMA journal_mode=WAL",
    "PRAGMA synchronous=FULL",
    "PRAGMA foreign_keys=ON",
    "PRAGMA recursive_triggers=ON",
    f"PRAGMA busy_timeout={1000 * _PATIENCE_S}",
    "PRAGMA cache_size=-16384",
)
_TO_POSTGRESQL = {
    "application_name": "witnessmark",
    "connect_timeout": "5",
    "keepalives_idle": "10",
    "keepalives_interval": "5",
    "keepalives_count": "3",
    "tcp_user_timeout": "10000",
}
"""How a connection is made unless the URL says otherwise: seconds (the last: milliseconds) until a PostgreSQL that has
dropped off the network counts as gone. Left alone, a caller would wait for minutes to connect and for hours to be
answered. Source: PostgreSQL documentation, "Parameter Key Words" of libpq.
"""


@dataclass(frozen=True, slots=True)
class Pace:
    """How a serving process uses PostgreSQL.

    ``lock_s``: how long a writer waits for another that holds the head before it gives up, seconds. A writer that has
    fallen silent in the middle of a transaction loses its lock after six times as long, whatever became of it.
    """

    writers: int = 8
    readers: int = 8
    lock_s: float = 5.0

    def limits(self) -> dict[str, str]:
        """The session's limits, by their PostgreSQL names, milliseconds."""
        lock = round(self.lock_s * 1000)
        silent = {"idle_in_transaction_session_timeout": str(6 * lock)}
        return {"lock_timeout": str(lock), "statement_timeout": str(6 * lock)} | silent


class Store:
    """A database that ``migrate`` has brought up to date.

    Args:
        url: an SQLAlchemy URL; ``postgresql://`` is taken as psycopg's.
        read_url: a replica that answers questions; the database itself if there is none.
        pace: for a process that serves; without it nothing is given up for lasting too long.

    Raises:
        ArgumentError: no URL, or of another kind of database, or a replica of an SQLite file.
    """

    def __init__(self, url: str, read_url: str | None = None, pace: Pace | None = None) -> None:
        parsed = _parsed(url)
        self.url = parsed.render_as_string(hide_password=False)
        self.shown = parsed.render_as_string(hide_password=True)
        self.file = parsed.database if parsed.get_backend_name() == "sqlite" else None
        self.is_sqlite = parsed.get_backend_name() == "sqlite"
        if self.is_sqlite and read_url:
            raise ArgumentError("an SQLite file has no replica to read from")
        limits = pace.limits() if pace is not None else {}
        pace = pace or Pace()
        self.writers, self.readers = (1 if self.is_sqlite else pace.writers), pace.readers
        self._ready: deque[Connection] = deque()
        """Replaced by another at ``close``: a connection taken from it before is not kept any longer."""
        self.engine = _sqlite(self.url) if self.is_sqlite else _postgresql(parsed, pace, limits)
        self._replica = _postgresql(_parsed(read_url), pace, limits) if read_url else None
        self._alone = Alone()

    @property
    def has_replica(self) -> bool:
        """Are questions answered by another server than the one that is written to?"""
        return self._replica is not None

    @contextmanager
    def reading(self, *, replica: bool = False) -> Iterator[Connection]:
        """A connection that sees one state of the database, or of its replica, and writes nothing."""
        if self.is_sqlite:
            with self._at_hand("BEGIN") as connection:
                yield connection
            return
        engine = self._replica if replica and self._replica is not None else self.engine
        with engine.connect() as connection:
            connection.execution_options(isolation_level="REPEATABLE READ")
            connection.begin()  # what is prepared does not do so by itself
            try:
                yield connection
            finally:
                connection.rollback()

    @contextmanager
    def writing(self, *, patience_s: int = _PATIENCE_S) -> Iterator[Connection]:
        """One transaction: committed at the end, rolled back on any exception.

        Args:
            patience_s: how long to wait for another that writes to the same SQLite file, seconds.
        """
        if self.is_sqlite:
            with self._at_hand("BEGIN IMMEDIATE", patience_s) as connection:
                yield connection
                execute(connection, "COMMIT")
            return
        with self.engine.connect() as connection, connection.begin():
            yield connection

    @contextmanager
    def _at_hand(self, begin: str, patience_s: int = _PATIENCE_S) -> Iterator[Connection]:
        """An SQLite connection that is kept ready, in a transaction begun so; rolled back unless committed before.

        The engine believes it in one long transaction: beginning, ending and giving back each time costs more than a
        short question.
        """
        ready = self._ready
        try:
            connection = ready.pop()
        except IndexError:
            connection = self._opened()
        driver: Any = connection.connection.driver_connection
        try:
            if patience_s != _PATIENCE_S:
                execute(connection, f"PRAGMA busy_timeout={1000 * patience_s}")
            execute(connection, begin)
            yield connection
        finally:
            driver.rollback()
            if patience_s != _PATIENCE_S:
                execute(connection, f"PRAGMA busy_timeout={1000 * _PATIENCE_S}")
            if ready is self._ready:
                ready.append(connection)
            else:
                connection.close()

    def _opened(self) -> Connection:
        """One more: the last was taken, perhaps by another thread just now."""
        connection = self.engine.connect()
        connection.begin()
        return connection

    def claim(self) -> None:
        """Keep an SQLite file to this process until ``close``: a second that serves is turned away.

        Raises:
            InUse: another process serves it.
        """
        if self.is_sqlite:
            self._alone.claim(make_url(self.url).database or "")

    def close(self) -> None:
        """Give the connections back."""
        ready, self._ready = self._ready, deque()
        while ready:
            ready.pop().close()
        for engine in (self.engine, self._replica):
            if engine is not None:
                engine.dispose()
        self._alone.release()


_WORTH_ANOTHER_TRY = frozenset({"40001", "40P01"})
"""PostgreSQL's serialization failure and deadlock."""


def passing(trouble: DBAPIError) -> bool:
    """May the same transaction succeed if it is tried again at once? A lock that is not given is not worth it."""
    return trouble.connection_invalidated or getattr(trouble.orig, "sqlstate", None) in _WORTH_ANOTHER_TRY


def _parsed(url: str) -> URL:
    parsed = make_url(url)
    if parsed.drivername in {"postgresql", "postgres"}:
        parsed = parsed.set(drivername="postgresql+psycopg")
    if parsed.get_backend_name() not in {"sqlite", "postgresql"}:
        raise ArgumentError(f"{parsed.get_backend_name()} is none of sqlite and postgresql")
    return parsed


def _postgresql(url: URL, pace: Pace, limits: Mapping[str, str]) -> Engine:
    engine = create_engine(
        url.set(query={**_TO_POSTGRESQL, **url.query}),
        isolation_level="READ COMMITTED",
        pool_pre_ping=True,
        pool_size=pace.writers + pace.readers + 1,  # one more for the question whether the service is ready
        max_overflow=0,
        pool_timeout=5,
    )
    settings = ", ".join(f"set_config('{name}', '{value}', false)" for name, value in limits.items())
    durable = "CASE setting WHEN 'off' THEN 'on' ELSE setting END"
    setting_up = (
        f"SELECT set_config('synchronous_commit', {durable}, false){', ' * bool(settings)}{settings} "  # noqa: S608
        "FROM current_setting('synchronous_commit') AS setting"
    )

    @event.listens_for(engine, "connect")
    def _prepare(connection: Any, _record: Any) -> None:
        connection.autocommit = True
        connection.execute(setting_up)
        connection.autocommit = False

    return engine


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
