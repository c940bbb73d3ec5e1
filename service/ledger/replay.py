"""Throw the views of a facility away and make them again from the entries, through the functions that made them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import orjson
from sqlalchemy import Connection

from service.checks.catalogue import EDITION
from service.ledger.duelist import refresh_due
from service.ledger.entry import Entry, read_all
from service.ledger.follow import Touched, refresh_register, touch
from service.ledger.judge import digest_of
from service.ledger.memory import Memory
from service.ledger.standing import oldest_first, refresh_rebuild
from service.store import entries as stored
from service.store import remake, views
from service.store.engine import Store

_STRETCH = 1_000


def replay(store: Store, facility: str, progress: Callable[[int, int], None] = lambda _done, _size: None) -> int:
    """Make all views of a facility again in one transaction; returns how many entries they were made from.

    What was judged stays as judged: the entries say so, and nothing is written into the ledger.
    """
    with store.writing() as tx:
        head = stored.lock_head(tx, facility)
        size = head.size if head else 0
        remake.clear(tx, facility)
        touched, judged = Touched(), dict[str, Entry]()
        after = 0
        while found := read_all(stored.page(tx, facility, after, _STRETCH)):
            for entry in found:
                if entry.type == "rebuild.judged":
                    judged[str(entry.rebuild)] = entry
                else:
                    touch(touched, entry, _target(tx, facility, entry))
            after = found[-1].seq
            progress(after, size)
        _remake(tx, Memory(facility), touched, judged)
        stored.turn_head(tx, facility)
    return size


def _target(tx: Connection, facility: str, entry: Entry) -> Entry | None:
    """The entry that a correction is about, if it was there when the correction came."""
    if entry.type != "entry.corrected":
        return None
    found = read_all(stored.by_ids(tx, facility, [str(entry.data["entry"])]))
    return next((target for target in found if target.seq < entry.seq), None)


def _remake(tx: Connection, memory: Memory, touched: Touched, judged: Mapping[str, Entry]) -> None:
    refresh_register(tx, memory, touched)
    for rebuild in oldest_first(tx, memory, touched.rebuilds, touched.rebuilds):
        refresh_rebuild(tx, memory, rebuild, touched.rebuilds[rebuild], afresh=True)
        if rebuild in judged:
            remake.set_judged(tx, memory.code, rebuild, _as_judged(judged[rebuild]))
            memory.forget_works([rebuild])
    memory.resets.clear()
    refresh_due(tx, memory, views.rebuilds_by_asset(tx, memory.code))
    remake.clear_marks(tx, memory.code)


def _as_judged(entry: Entry) -> dict[str, Any]:
    """What the view takes over from the last judgement: all of it where another edition of the checks gave it.

    Findings that were too large for the entry stay as short as they are there.
    """
    data = entry.data
    taken = {"judged_digest": digest_of(data)}
    if data["edition"] != EDITION:
        taken |= {name: data[name] for name in ("edition", "state", "verdict")}
        taken["findings"] = orjson.dumps(data["findings"]).decode()
    return taken
