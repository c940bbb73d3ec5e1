"""One durable POST of ``meter.read`` at 64 clients against three stores that others have written.

Measures: posts a second, each durable before its answer.
Against: a route over the ``eventsourcing`` SQLite recorder (one event), one over the ``pymerkle`` SQLite tree (one leaf),
and the insert API of ``datasette`` (one row; validates nothing, hashes nothing). One that is not installed is left out
and its figure says so.
To reach: 4, 6 and 20 times as many.
"""

from __future__ import annotations

import importlib.util
import math
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from functools import partial
from pathlib import Path
from typing import Any

import orjson

from tests.bench.apps.peers import COLUMNS, FILE, TABLE
from tests.bench.fill import filled
from tests.bench.frame import Contender, Figure, Row, Setting
from tests.bench.posting import OURS, Posts, to_ours
from tests.bench.scene import meter_read
from tests.bench.servers import served

_CLIENTS = 64
_SERVICE = "service, 64 clients"
_PEERS = {
    "eventsourcing": ("event_store", "/entries", 4),
    "pymerkle": ("tree", "/entries", 6),
    "datasette": ("table", f"/peer-table/{TABLE}/-/insert", 20),
}
"""Package → the app over it, the path to post to, how many times as many are to be reached."""


def _as_row(post: int, manifolds: int) -> dict[str, Any]:
    entry = meter_read(post, manifolds)
    return {"row": {**entry, "data": orjson.dumps(entry["data"]).decode()}}


def _file(folder: Path, app: str) -> str:
    """A fresh file; the table's own must be there before it is served."""
    path = folder / f"peer-{app}.db"
    if app == "table":
        with sqlite3.connect(path) as database:
            database.execute("PRAGMA journal_mode=WAL")  # without it, its readers lock its writer out at 64 clients
            database.execute(f"CREATE TABLE {TABLE} ({COLUMNS})")
        database.close()
    return str(path)


@contextmanager
def _contenders(setting: Setting) -> Iterator[Mapping[str, Contender]]:
    folder, seconds = setting.folder, setting.seconds
    database, posts = filled(folder, "against-stores", 1_000), Posts(meter_read, 1_000, 4_000, ahead=1_000, once=True)
    with ExitStack() as open_servers:
        ours = open_servers.enter_context(served(OURS, folder, database.environment))
        contenders: dict[str, Contender] = {_SERVICE: partial(to_ours, ours, database, posts, _CLIENTS, seconds)}
        for package, (app, path, _) in _PEERS.items():
            if importlib.util.find_spec(package) is None:
                continue
            server = open_servers.enter_context(
                served(f"tests.bench.apps.peers:{app}", folder, {FILE: _file(folder, app)})
            )
            own = Posts(_as_row if app == "table" else meter_read, 1_000, 4_000)
            contenders[package] = partial(own.to, server, path, "", _CLIENTS, seconds)
        yield contenders


def _figure(package: str, times: int) -> Figure:
    if importlib.util.find_spec(package) is None:
        return Figure(f"against {package}: not installed (pip install '.[bench]')", lambda _: math.nan)
    return Figure(f"against {package}", lambda seen: seen[_SERVICE].rate / seen[package].rate, at_least=times)


ROW = Row(
    "post against stores",
    "One durable POST of a meter reading at 64 clients, beside an event store, a tree and a table; SQLite.",
    _contenders,
    lambda _: [_figure(package, times) for package, (_, _, times) in _PEERS.items()],
)
