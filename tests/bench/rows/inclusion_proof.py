"""An inclusion proof out of an SQLite file, at several sizes of the log.

Measures: a read transaction and ``inclusion_proof`` in it, of entries anywhere in the log; told beside it, the proof in
a transaction that is open. The table of nodes is made
directly, with hashes that are none: no proof here would verify, each costs what one that does would cost.
Against: itself with fewer entries.
To reach: 0.2 ms at 10,000,000 entries (``--million``; 1,000,000 without), growing no faster than the logarithm.
"""

from __future__ import annotations

import random
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from functools import partial
from math import log2

from sqlalchemy import Connection, text

from service.merkle.proofs import inclusion_proof
from service.merkle.tree import node_count
from service.store import tree as nodes
from service.store.engine import Store
from service.store.migrate import migrate
from tests.bench.fill import CODE
from tests.bench.frame import Contender, Figure, Row, Sample, Setting, of_times

_SMALL = 10_000
_IN_ONE_READ = "the largest, in one transaction"
_MAKE = text(
    "WITH RECURSIVE place(n) AS (SELECT 0 UNION ALL SELECT n + 1 FROM place WHERE n + 1 < :count) "
    "INSERT INTO nodes (facility, position, hash) SELECT :facility, n, randomblob(32) FROM place"
)


def _sizes(setting: Setting) -> list[int]:
    return [_SMALL, 10_000_000 if setting.million else 100_000 if setting.quick else 1_000_000]


def _name(size: int) -> str:
    return f"{size:,} entries"


def _made(setting: Setting, size: int) -> Store:
    store = Store(f"sqlite:///{setting.folder}/nodes-{size}.sqlite3")
    migrate(store)
    with store.writing() as tx:
        tx.execute(text("DROP TRIGGER nodes_no_replace"))  # it would look for each of the rows first
        tx.execute(_MAKE, {"count": node_count(size), "facility": CODE})
    return store


def _proved(store: Store, size: int, seconds: float) -> Sample:
    def prove(index: int) -> object:
        with store.reading() as tx:
            return _proof(tx, index, size)

    return _timed(prove, size, seconds)


def _proved_in_one_read(store: Store, size: int, seconds: float) -> Sample:
    with store.reading() as tx:
        return _timed(lambda index: _proof(tx, index, size), size, seconds)


def _proof(tx: Connection, index: int, size: int) -> list[bytes]:
    return inclusion_proof(index, size, lambda places: nodes.read_nodes(tx, CODE, places))


def _timed(prove: Callable[[int], object], size: int, seconds: float) -> Sample:
    chance, times = random.Random(size), list[float]()  # noqa: S311 - places, no secrets
    until, cpu = time.perf_counter() + seconds, time.process_time()
    while (begun := time.perf_counter()) < until:
        index = chance.randrange(size)
        if not prove(index):
            raise AssertionError("no proof")
        times.append(time.perf_counter() - begun)
    return of_times(times, (time.process_time() - cpu) / len(times))


@contextmanager
def _contenders(setting: Setting) -> Iterator[Mapping[str, Contender]]:
    stores = {size: _made(setting, size) for size in _sizes(setting)}
    try:
        each = {_name(size): partial(_proved, store, size, setting.seconds) for size, store in stores.items()}
        *_, (large, store) = stores.items()
        yield each | {_IN_ONE_READ: partial(_proved_in_one_read, store, large, setting.seconds)}
    finally:
        for store in stores.values():
            store.close()


def _figures(setting: Setting) -> list[Figure]:
    small, large = _sizes(setting)
    growth = log2(large) / log2(small)
    return [
        Figure(f"proof at {_name(large)}", lambda seen: 1000 * seen[_name(large)].p50, at_most=0.2, unit=" ms"),
        Figure(
            f"time against {_name(small)}; the logarithm grows by {growth:.2f}",
            lambda seen: seen[_name(large)].p50 / seen[_name(small)].p50,
            at_most=round(growth, 2),
        ),
        Figure("the same in a transaction that is open", lambda seen: 1000 * seen[_IN_ONE_READ].p50, unit=" ms"),
    ]


ROW = Row("inclusion proof", "One entry proved, out of an SQLite file, 1 client.", _contenders, _figures)
