"""Throw the views of a facility away and make them again from the entries, through the functions that made them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from itertools import islice
from typing import Any

import orjson
from sqlalchemy import Connection

from service.checks.catalogue import EDITION
from service.entries.words import microseconds
from service.ledger.duelist import refresh_due
from service.ledger.entry import Entry, read_all
from service.ledger.follow import Touched, refresh_register, touch
from service.ledger.judge import digest_of
from service.ledger.memory import Memory
from service.ledger.standing import refresh_rebuild
from service.store import entries as stored
from service.store import remake, views
from service.store.engine import Store

_STRETCH = 1_000
_AT_HAND = 100
"""Rebuilds, or assets."""


@dataclass
class _Seen:
    """What is kept of the entries read: names and places, so that a long ledger takes hardly more memory."""

    touched: Touched = field(default_factory=Touched)
    first: dict[str, int] = field(default_factory=dict)
    """By rebuild, the seq of the first entry that touched it."""
    judged: dict[str, int] = field(default_factory=dict)
    """By rebuild, the seq of its last judgement."""
    meters: set[tuple[str, str]] = field(default_factory=set)
    """As in ``Touched``; the readings are not kept, because a fresh memory counts them all."""

    def see(self, entry: Entry, target: Entry | None) -> None:
        """The next entry."""
        if entry.type == "rebuild.judged":
            self.judged[str(entry.rebuild)] = entry.seq
            return
        touch(self.touched, entry, target)
        for rebuild in self.touched.rebuilds:
            self.first.setdefault(rebuild, entry.seq)
        self.touched.rebuilds.clear()
        self.meters.update(self.touched.meters)
        self.touched.meters.clear()


def replay(store: Store, facility: str, progress: Callable[[int, int], None] = lambda _done, _size: None) -> int:
    """Make all views of a facility again in one transaction; returns how many entries they were made from.

    What was judged stays as judged: the entries say so, and nothing is written into the ledger.
    """
    with store.writing() as tx:
        head = stored.lock_head(tx, facility)
        size = head.size if head else 0
        remake.clear(tx, facility)
        seen, after = _Seen(), 0
        while found := read_all(stored.page(tx, facility, after, _STRETCH)):
            for entry in found:
                seen.see(entry, _target(tx, facility, entry))
            after = found[-1].seq
            progress(after, size)
        _remake(tx, Memory(facility), seen)
        stored.turn_head(tx, facility)
    return size


def _target(tx: Connection, facility: str, entry: Entry) -> Entry | None:
    """The entry that a correction is about, if it was there when the correction came."""
    if entry.type != "entry.corrected":
        return None
    found = read_all(stored.by_ids(tx, facility, [str(entry.data["entry"])]))
    return next((target for target in found if target.seq < entry.seq), None)


def _remake(tx: Connection, memory: Memory, seen: _Seen) -> None:
    seen.touched.meters = {meter: [] for meter in seen.meters}
    refresh_register(tx, memory, seen.touched)
    for rebuild in _oldest_first(tx, memory, seen.first):
        refresh_rebuild(tx, memory, rebuild, _entry(tx, memory, seen.first[rebuild]), afresh=True)
        if rebuild in seen.judged:
            (judged,) = _entry(tx, memory, seen.judged[rebuild])
            remake.set_judged(tx, memory.code, rebuild, _as_judged(judged))
        memory.forget_works([rebuild])
    memory.resets.clear()
    for tags in _some(views.rebuilds_by_asset(tx, memory.code)):
        refresh_due(tx, memory, tags)
    remake.clear_marks(tx, memory.code)


def _entry(tx: Connection, memory: Memory, seq: int) -> list[Entry]:
    return read_all(stored.page(tx, memory.code, seq - 1, 1))


def _oldest_first(tx: Connection, memory: Memory, rebuilds: Iterable[str]) -> list[str]:
    """As ``oldest_first``, with a few of the rebuilds at hand at a time."""
    opened: list[tuple[int, str]] = []
    for some in _some(rebuilds):
        memory.load_works(tx, some)
        for rebuild in some:
            opening = memory.work(tx, rebuild).folded.opening
            opened.append((microseconds(opening.at) if opening else 0, rebuild))
        memory.forget_works(some)
    return [rebuild for _, rebuild in sorted(opened)]


def _some(names: Iterable[str]) -> Iterator[list[str]]:
    rest = iter(names)
    while some := list(islice(rest, _AT_HAND)):
        yield some


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
