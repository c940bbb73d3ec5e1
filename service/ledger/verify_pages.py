"""Entries read from their places in an export, and looked at as of any ``seq``."""

from __future__ import annotations

import mmap
from bisect import bisect_right
from collections.abc import Iterable, Sequence

import orjson

from service.entries.words import Moment
from service.ledger.entry import Entry


class Pages:
    """Entries read from their places in a file."""

    def __init__(self, data: mmap.mmap) -> None:
        self._data = data

    def read(self, places: Iterable[int]) -> list[Entry]:
        """The entries that stand there, in the order of their seq."""
        found = []
        for place in dict.fromkeys(places):
            body = orjson.loads(self._data[place : self._data.find(b"\n", place)])
            found.append(Entry(body["seq"], body, Moment(body["occurred_at"]).at))
        return sorted(found, key=lambda entry: entry.seq)


class Story:
    """Entries in order, of which only the beginning up to some seq is looked at."""

    def __init__(self, entries: Sequence[Entry]) -> None:
        self._entries = entries
        self._seqs = [entry.seq for entry in entries]

    def count(self, through: int) -> int:
        """How many there are up to a seq."""
        return bisect_right(self._seqs, through)

    def until(self, through: int) -> Sequence[Entry]:
        """Those up to a seq."""
        return self._entries[: self.count(through)]
