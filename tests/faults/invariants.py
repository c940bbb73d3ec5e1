"""What must hold of a ledger after anything: one function, called after every step of every fault.

It reads the tables with its own statements, hashes with its own recursion (``roots``), and compares the views with what
a replay of the entries gives in a scratch database, so the database looked at is left as it is.
"""

from __future__ import annotations

import atexit
import json
import shutil
import tempfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, insert, select, text

from service.ledger.append import judge_marked
from service.ledger.memory import Memory
from service.ledger.replay import replay
from service.store import remake
from service.store.engine import Store
from service.store.migrate import migrate
from service.store.tables import LEDGER, VIEWS, heads
from tests.faults.remembered import Remembered
from tests.faults.roots import Roots, leaf_hash

_BY_THE_SERVER = {"facility.opened", "rebuild.judged"}
_ADDED = {"facility", "seq", "recorded_at", "credential", "scopes"}
_MOST_TOLD = 8


class Broken(AssertionError):
    """Something that must never be."""


@dataclass(frozen=True, slots=True)
class Found:
    """What was looked at."""

    entries: int
    acknowledged: int
    kept: int
    """Open submissions that are recorded, and"""
    lost: int
    """those that are not: both are right."""
    marked: int


def check(url: str, facility: str, remembered: Remembered | None = None, *, views: bool = True) -> Found:
    """Look at everything.

    Args:
        url: the database; it is only read.
        facility: whose ledger.
        remembered: what its clients were promised; then every entry must be one of theirs, or the server's own.
        views: compare the views too, which costs the most.

    Raises:
        Broken: with all that is wrong.
    """
    store = Store(url)
    try:
        with store.reading() as tx:
            ledger = _Ledger.read(tx, facility)
            known = remembered or Remembered()
            wrong = [*_whole(tx), *_sound(ledger), *_promises(ledger, known)]
            if remembered is not None:
                wrong += _strangers(ledger, known)
            marked = tx.execute(text("SELECT count(*) FROM marks WHERE facility = :f"), {"f": facility}).scalar_one()
            if views and not wrong:
                wrong += _views(tx, facility)
    finally:
        store.close()
    if wrong:
        raise Broken("\n".join([*wrong[:_MOST_TOLD], f"… {len(wrong)} in all"]))
    fresh = [entries[0]["id"] for entries in known.open.values() if entries[0]["id"] not in known.acknowledged]
    kept = sum(id_ in ledger.by_id for id_ in fresh)
    return Found(len(ledger.rows), len(known.acknowledged), kept, len(fresh) - kept, marked)


@dataclass(frozen=True)
class _Ledger:
    """A facility's ledger as the tables hold it."""

    head: Any
    rows: list[Any]
    bodies: list[dict[str, Any]]
    by_id: dict[str, dict[str, Any]]
    nodes: list[Any]
    roots: Roots
    leaves: list[bytes]

    @classmethod
    def read(cls, tx: Connection, facility: str) -> _Ledger:
        of = {"f": facility}
        head = tx.execute(text("SELECT size, root, recorded_us FROM heads WHERE facility = :f"), of).one()
        rows = tx.execute(text("SELECT * FROM entries WHERE facility = :f ORDER BY seq"), of).all()
        nodes = tx.execute(text("SELECT position, hash FROM nodes WHERE facility = :f ORDER BY position"), of).all()
        bodies = [json.loads(row.body) for row in rows]
        leaves = [leaf_hash(row.body.encode()) for row in rows]
        by_id = {body["id"]: body for body in bodies}
        return cls(head, list(rows), bodies, by_id, list(nodes), Roots(leaves), leaves)


def _whole(tx: Connection) -> Iterator[str]:
    """SQLite's own look at its file; PostgreSQL keeps checksums of its pages and tells by itself."""
    if tx.dialect.name == "sqlite":
        said = tx.exec_driver_sql("PRAGMA integrity_check").scalar_one()
        if said != "ok":
            yield f"the file is damaged: {said}"


def _sound(ledger: _Ledger) -> Iterator[str]:
    """Numbers, times, bodies, leaves, nodes and root agree with each other."""
    rows, head = ledger.rows, ledger.head
    if [row.seq for row in rows] != list(range(1, len(rows) + 1)):
        yield f"seq is not 1 … {len(rows)} without a gap"
    if head.size != len(rows):
        yield f"the head says {head.size}, {len(rows)} entries are there"
    if len({row.id for row in rows}) != len(rows):
        yield "an id stands twice"
    times = [row.recorded_us for row in rows]
    if times != sorted(times) or (times and times[-1] != head.recorded_us):
        yield "recorded_at runs backwards, or past the head"
    for row, body in zip(rows, ledger.bodies, strict=True):
        yield from _entry(row, body)
    nodes = list(ledger.roots.nodes())
    if [row.position for row in ledger.nodes] != list(range(len(nodes))):
        yield f"{len(ledger.nodes)} nodes, {len(nodes)} are due"
    if [bytes(row.hash) for row in ledger.nodes] != nodes:
        yield "a node is not the hash of what is under it"
    if bytes(head.root) != ledger.roots.root(len(rows)):
        yield "the root is not that of the stored entries"


def _entry(row: Any, body: Mapping[str, Any]) -> Iterator[str]:
    """One row against its own text."""
    if json.dumps(body, sort_keys=True, separators=(",", ":"), ensure_ascii=False) != row.body:
        yield f"entry {row.seq} is not kept in its canonical form"
    if (row.facility, row.seq, row.id, row.type) != tuple(body[name] for name in ("facility", "seq", "id", "type")):
        yield f"entry {row.seq}: the columns say other than the body"
    recorded = datetime.fromtimestamp(row.recorded_us // 1_000_000, UTC).strftime("%Y-%m-%dT%H:%M:%S")
    if not body["recorded_at"].startswith(recorded):
        yield f"entry {row.seq}: recorded at {body['recorded_at']} or {recorded}"
    through = body["data"].get("through", 0) if row.type == "rebuild.judged" else 0
    if through >= row.seq:
        yield f"entry {row.seq} judges through {through}"


def _promises(ledger: _Ledger, known: Remembered) -> Iterator[str]:
    """What was acknowledged is there once, as sent; what is open is there wholly or not at all."""
    yield from (f"a client was told: {broken}" for broken in known.broken)
    for id_, promise in known.acknowledged.items():
        body = ledger.by_id.get(id_)
        if body is None:
            yield f"{id_} was acknowledged as {promise.seq} and is gone"
        elif body["seq"] != promise.seq or ledger.leaves[body["seq"] - 1].hex() != promise.leaf_hash:
            yield f"{id_} was acknowledged as {promise.seq} {promise.leaf_hash} and is {body['seq']}"
        elif _as_sent(body) != promise.sent:
            yield f"{id_} is not what was sent"
    for entries in known.open.values():
        here = [entry["id"] in ledger.by_id for entry in entries if entry["id"] not in known.acknowledged]
        if any(here) and not all(here):
            yield f"half of a submission is there: {here}"
    yield from (f"{id_} was refused and is there" for id_ in known.refused & ledger.by_id.keys())
    for size, root in known.heads.items():
        if size > len(ledger.rows) or ledger.roots.root(size).hex() != root:
            yield f"a root was told for {size} entries that is not theirs"


def _strangers(ledger: _Ledger, known: Remembered) -> Iterator[str]:
    """Nobody else has written here, and what is open is there as it was sent."""
    waiting = {entry["id"]: entry for entries in known.open.values() for entry in entries}
    for body in ledger.bodies:
        if body["type"] in _BY_THE_SERVER or body["id"] in known.acknowledged:
            continue
        if body["id"] not in waiting:
            yield f"entry {body['seq']} was never sent"
        elif _as_sent(body) != waiting[body["id"]]:
            yield f"{body['id']} is not what was sent"


def _as_sent(body: Mapping[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in body.items() if name not in _ADDED}


def _views(tx: Connection, facility: str) -> Iterator[str]:
    """Views are what a replay gives, once what is marked has been judged as the service would at its start."""
    with tempfile.TemporaryDirectory(prefix="witnessmark-scratch-") as folder:
        path = Path(folder) / "scratch.sqlite3"
        shutil.copy(_template(), path)
        scratch = Store(f"sqlite:///{path}")
        try:
            _copy(tx, scratch, facility)
            memory = Memory(facility)
            while judge_marked(scratch, memory, lambda: datetime.now(UTC)):
                pass
            lived = _contents(scratch, facility)
            replay(scratch, facility)
            made_again = _contents(scratch, facility)
        finally:
            scratch.close()
    for view, rows in lived.items():
        if rows != made_again[view]:
            differ = [row for row in rows if row not in made_again[view]]
            differ += [row for row in made_again[view] if row not in rows]
            yield f"view {view} is not what a replay gives: {str(differ)[:600]}"


def _contents(store: Store, facility: str) -> dict[str, list[tuple[Any, ...]]]:
    with store.reading() as tx:
        return remake.contents(tx, facility)


def _copy(tx: Connection, scratch: Store, facility: str) -> None:
    with scratch.writing() as into:
        for table in (*LEDGER, heads, *VIEWS):
            rows = tx.execute(select(table).where(table.c.facility == facility)).mappings().all()
            if rows:
                into.execute(insert(table), [dict(row) for row in rows])


@cache
def _template() -> Path:
    """An empty database, made once."""
    folder = tempfile.mkdtemp(prefix="witnessmark-scratch-")
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    path = Path(folder) / "template.sqlite3"
    store = Store(f"sqlite:///{path}")
    migrate(store)
    store.close()
    return path
