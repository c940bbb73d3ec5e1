"""An import by the line (NDJSON) into SQLite: meter readings and torques of many assets, asset after asset.

Measures: entries a second from the first byte sent to the last line of the answer: every line validated, admitted,
hashed, the rebuilds judged and the due days reckoned, all of it durable. Told beside it: meter readings alone.
Against: ``datasette``'s insert API at 1,000 rows a request, which neither validates nor hashes, into a table with a key
alone; told, not judged: into a table with the five indexes that ours has. And raw ``executemany`` of the same rows into
the same table (its indexes and guards), 1,000 a transaction, as durable.
To reach: the speed of the insert API; 0.35 of ``executemany``.
"""

from __future__ import annotations

import http.client
import sqlite3
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, closing, contextmanager
from dataclasses import dataclass
from functools import partial
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import orjson

from service.merkle.canonical import canonical
from tests.bench.apps.insert import BARE, FILE, INDEXED, MOST
from tests.bench.fill import CODE, Filled, filled
from tests.bench.frame import Contender, Figure, Row, Sample, Setting
from tests.bench.importing import imported, lines, readings, record
from tests.bench.load import HOST
from tests.bench.posting import OURS
from tests.bench.servers import Server, served

_MANIFOLDS = 500
_OURS, _ALONE, _MANY = "service, readings and torques", "service, readings alone", "executemany of the same rows"
_INSERT, _INSERT_INDEXED = "datasette, key alone", "datasette, indexed as here"
_THERE = find_spec("datasette") is not None
_COLUMNS = "id TEXT PRIMARY KEY, type TEXT, occurred_at TEXT, asset TEXT, rebuild TEXT, by TEXT, data TEXT"
_INDEXES = ("rebuild", "asset, type", "occurred_at", "by")


@dataclass
class _Entries:
    """Entries that are each sent once."""

    body: Callable[[int, int], dict[str, Any]]
    count: int
    sent: int = 0

    def following(self) -> list[dict[str, Any]]:
        """Those of the next round."""
        begun, self.sent = self.sent, self.sent + self.count
        return [self.body(number, _MANIFOLDS) for number in range(begun, self.sent)]


def _import(server: Server, database: Filled, entries: _Entries) -> Sample:
    return imported(server, database, b"".join(lines(entries.following())), entries.count)


def _insert(server: Server, table: str, entries: _Entries) -> Sample:
    rows = [entry | {"data": orjson.dumps(entry["data"]).decode()} for entry in entries.following()]
    bodies = [orjson.dumps({"rows": rows[start : start + MOST]}) for start in range(0, len(rows), MOST)]
    connection = http.client.HTTPConnection(HOST, server.port, timeout=60)
    cpu, begun = server.cpu(), time.perf_counter()
    for body in bodies:
        connection.request("POST", f"/peer/{table}/-/insert", body, {"Content-Type": "application/json"})
        answered = connection.getresponse()
        answer = answered.read()
        if answered.status != 201:
            raise RuntimeError(f"{answered.status}: {answer[:300]!r}")
    seconds, after = time.perf_counter() - begun, server.cpu()
    connection.close()
    used = (after - cpu) / len(rows) if cpu is not None and after is not None else None
    return Sample(len(rows) / seconds, seconds / len(rows), seconds / len(rows), used)


def _many(folder: Path, entries: _Entries) -> Sample:
    """The rows that the service writes of such entries, into a table that is made as its own is."""
    kept = {"facility": CODE, "recorded_at": "2026-11-25T12:00:00.000000Z", "credential": "t-bench"}
    begun_at = entries.sent + 1_000_000
    rows = [
        (CODE, seq, entry["id"], entry["type"], entry["asset"], entry.get("rebuild"), None, None, seq, seq,
         canonical({**entry, **kept, "seq": seq}).decode())
        for seq, entry in enumerate(entries.following(), begun_at)
    ]  # fmt: skip
    with closing(sqlite3.connect(folder / "many.sqlite3", isolation_level=None)) as database:
        for pragma in ("journal_mode=WAL", "synchronous=FULL", "cache_size=-16384"):
            database.execute(f"PRAGMA {pragma}")
        cpu, begun = time.process_time(), time.perf_counter()
        for start in range(0, len(rows), MOST):
            database.execute("BEGIN IMMEDIATE")
            database.executemany(f"INSERT INTO entries VALUES ({', '.join('?' * 11)})", rows[start : start + MOST])
            database.execute("COMMIT")
        seconds = time.perf_counter() - begun
        return Sample(
            len(rows) / seconds, seconds / len(rows), seconds / len(rows), (time.process_time() - cpu) / len(rows)
        )


@contextmanager
def _contenders(setting: Setting) -> Iterator[Mapping[str, Contender]]:
    folder, count = setting.folder, 6_000 if setting.quick else 30_000
    database, alone = (filled(folder, name, _MANIFOLDS, work=30) for name in ("import", "alone"))
    filled(folder, "many", _MANIFOLDS, work=30)
    with ExitStack() as running:
        ours, ours_alone = (running.enter_context(served(OURS, folder, one.environment)) for one in (database, alone))
        contenders: dict[str, Contender] = {
            _OURS: partial(_import, ours, database, _Entries(record, count)),
            _ALONE: partial(_import, ours_alone, alone, _Entries(readings, count)),
            _MANY: partial(_many, folder, _Entries(record, count)),
        }
        if _THERE:
            _tables(folder / "peer.sqlite3")
            environment = {FILE: str(folder / "peer.sqlite3")}
            peer = running.enter_context(served("tests.bench.apps.insert:app", folder, environment))
            for name, table in ((_INSERT, BARE), (_INSERT_INDEXED, INDEXED)):
                contenders[name] = partial(_insert, peer, table, _Entries(record, count))
        yield contenders


def _tables(path: Path) -> None:
    with closing(sqlite3.connect(path)) as database:
        database.execute("PRAGMA journal_mode=WAL")
        for table in (BARE, INDEXED):
            database.execute(f"CREATE TABLE {table} ({_COLUMNS})")
        for number, columns in enumerate(_INDEXES):
            database.execute(f"CREATE INDEX indexed_{number} ON {INDEXED} ({columns})")
        database.commit()


def _figures(_: Setting) -> list[Figure]:
    found = [
        Figure(
            "import against executemany of the same rows",
            lambda seen: seen[_OURS].rate / seen[_MANY].rate,
            at_least=0.35,
        ),
        Figure("readings alone against executemany", lambda seen: seen[_ALONE].rate / seen[_MANY].rate),
    ]
    if _THERE:
        found += [
            Figure(
                "import against datasette, 1,000 a request",
                lambda seen: seen[_OURS].rate / seen[_INSERT].rate,
                at_least=1.0,
            ),
            Figure("readings alone against datasette", lambda seen: seen[_ALONE].rate / seen[_INSERT].rate),
            Figure(
                "import against datasette, indexed as here", lambda seen: seen[_OURS].rate / seen[_INSERT_INDEXED].rate
            ),
        ]
    return found


ROW = Row(
    "import ndjson",
    "Entries a second by the line; SQLite."
    + ("" if _THERE else " THE PEER IS NOT INSTALLED, so its figure is missing: pip install -e '.[bench]'"),
    _contenders,
    _figures,
)
