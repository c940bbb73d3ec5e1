"""Databases of a size, made fast.

One manifold goes through the ledger's own write path; the others are copies of the rows it left, with another number
in their names. A benchmark may do that; a ledger never.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from datetime import UTC, datetime
from itertools import islice
from pathlib import Path
from typing import Any, NamedTuple

import orjson
from sqlalchemy import select
from sqlalchemy.engine import Connection

from service.access.tokens import new_token
from service.entries.catalogue import SCOPES
from service.entries.envelope import Draft, read_envelope
from service.entries.facility import FacilityOpened
from service.entries.refusals import Refusal
from service.entries.words import instant
from service.ledger.append import append, open_facility
from service.ledger.entry import rfc3339
from service.ledger.memory import Memory
from service.ledger.receipt import Submission
from service.merkle import tree
from service.merkle.canonical import canonical
from service.store import entries as stored
from service.store import tree as nodes
from service.store.engine import Store
from service.store.migrate import migrate
from service.store.put import put
from service.store.tables import assets, due, entries, rebuilds, uses
from tests.bench import scene

CODE = scene.FACILITY["code"]
_COPIED_VIEWS = (assets, rebuilds, uses, due)
_AT_ONCE = 5_000
Vary = Callable[[int, dict[str, Any]], None]


class Filled(NamedTuple):
    """A database and the token that opens it."""

    url: str
    token: str

    @property
    def environment(self) -> dict[str, str]:
        """For the process that serves it."""
        return {"WITNESSMARK_DATABASE_URL": self.url}


def filled(
    folder: Path,
    name: str,
    manifolds: int,
    *,
    work: int = 0,
    as_views: bool = False,
    vary: Vary | None = None,
    url: str | None = None,
) -> Filled:
    """A fresh database with so many manifolds of two banks each.

    Args:
        folder: where the file goes.
        name: of the file.
        manifolds: how many.
        work: entries of a rebuild on the left bank of each.
        as_views: only the views, not the entries behind them: for reading.
        vary: what to change in a row of a view, given the number of its manifold.
        url: of an empty database; an SQLite file in the folder if there is none.
    """
    store = Store(url or f"sqlite:///{folder / name}.sqlite3")
    try:
        migrate(store)
        open_facility(store, FacilityOpened(**scene.FACILITY), now)
        _record(store, work)
        copy(store, manifolds, as_views=as_views, vary=vary)
        return Filled(store.url, new_token(store, [CODE], SCOPES, now()))
    finally:
        store.close()


def copy(store: Store, manifolds: int, *, as_views: bool = False, vary: Vary | None = None) -> None:
    """Copy everything that belongs to the one manifold."""
    with store.writing() as tx:
        if not as_views:
            _copy_entries(tx, manifolds)
        for table in _COPIED_VIEWS:
            rows = [dict(row) for row in tx.execute(select(table).where(table.c.facility == CODE)).mappings()]
            models = [orjson.dumps(row).decode() for row in rows if scene.MARK in str(row)]
            for chunk in _chunks(_copies(models, manifolds, vary)):
                put(tx, table, chunk)


def _copies(models: list[str], count: int, vary: Vary | None = None) -> Iterator[dict[str, Any]]:
    for number in range(count):
        for model in models:
            row = orjson.loads(model.replace(scene.MARK, scene.marked(number)))
            if vary is not None:
                vary(number, row)
            yield row


def _copy_entries(tx: Connection, count: int) -> None:
    """The entries too, each with a place of its own in the log and in the tree."""
    mine = select(entries).where(entries.c.facility == CODE).order_by(entries.c.seq)
    rows = [dict(row) for row in tx.execute(mine).mappings()]
    models = [_with_mark(row) for row in rows if scene.MARK in str(row)]
    head = stored.lock_head(tx, CODE)
    if head is None:
        raise LookupError(CODE)
    seq, leaves = head.size, []
    for chunk in _chunks(_copies(models, count)):
        for row in chunk:
            seq += 1
            body = orjson.loads(row["body"]) | {"seq": seq, "recorded_at": rfc3339(instant(head.recorded_us))}
            if body["type"] == "rebuild.judged":
                body["data"]["through"] = seq - 1  # the copy was judged by what stands before it
            text = canonical(body)
            row |= {"seq": seq, "recorded_us": head.recorded_us, "body": text.decode()}
            leaves.append(tree.leaf_hash(text))
        stored.write(tx, chunk)
    appended = tree.append(tree.read_edge(head.size, lambda places: nodes.read_nodes(tx, CODE, places)), leaves)
    for nodes_at_once in _chunks(appended.nodes):
        nodes.write_nodes(tx, CODE, nodes_at_once)
    stored.move_head(tx, CODE, seq, tree.root(appended.edge), head.recorded_us)


def _with_mark(row: dict[str, Any]) -> str:
    """The row as text, with the mark in its id: no two copies may share one."""
    return orjson.dumps(row).decode().replace(row["id"], row["id"][:-12] + scene.MARK)


def _chunks(rows: Iterable[Any]) -> Iterator[list[Any]]:
    waiting = iter(rows)
    while chunk := list(islice(waiting, _AT_ONCE)):
        yield chunk


def _record(store: Store, work: int) -> None:
    """The one manifold, the procedure and the instruments, through the write path."""
    posted: list[dict[str, Any]] = [{"type": "procedure.published", "data": scene.PROCEDURE}]
    posted += [{"type": "instrument.registered", "data": data} for data in scene.INSTRUMENTS]
    posted += [{"type": "instrument.calibrated", "data": data} for data in scene.CALIBRATIONS]
    posted += [{"type": "asset.registered", "asset": tag, "data": data} for tag, data in scene.REGISTER]
    drafts = [_draft({"occurred_at": "2026-01-20T08:00:00Z", **value}) for value in posted]
    drafts += [_draft(value) for value in scene.rebuild(work)]
    (receipt,) = append(store, Memory(CODE), [Submission(drafts, "t-bench", frozenset(SCOPES))], now)
    if isinstance(receipt, Refusal):
        raise receipt


def _draft(value: dict[str, Any]) -> Draft:
    draft = read_envelope(value)
    if not isinstance(draft, Draft):
        raise TypeError(str(draft))
    return draft


def now() -> datetime:
    """The instant."""
    return datetime.now(UTC)
