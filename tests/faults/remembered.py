"""What honest clients remember: what they sent, what they were promised, and every promise that was not kept.

A submission is *open* from the moment before its first byte leaves until an answer that settles it: a cut line or a
503 leaves it open, because it may be recorded or not. The client sends it again until it is answered.
"""

from __future__ import annotations

import copy
import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

Entry = Mapping[str, Any]
NOT_NOW = {503, 507}
SETTLED_REFUSALS = {400, 409, 413, 422}


@dataclass(frozen=True, slots=True)
class Promise:
    """An entry as it was sent and acknowledged."""

    sent: Entry
    seq: int
    leaf_hash: str


@dataclass
class Remembered:
    """Shared by all clients of a facility."""

    acknowledged: dict[str, Promise] = field(default_factory=dict)
    open: dict[int, Sequence[Entry]] = field(default_factory=dict)
    refused: set[str] = field(default_factory=set)
    heads: dict[int, str] = field(default_factory=dict)
    """By size, the root that was told."""
    submissions: list[Sequence[Entry]] = field(default_factory=list)
    """Those that were acknowledged, as they were sent."""
    broken: list[str] = field(default_factory=list)
    slowest: float = 0.0
    """Seconds to the slowest answer."""
    replays: int = 0
    not_now: int = 0
    cut: int = 0
    _tickets: int = 0
    _known_when_sent: dict[int, set[str]] = field(default_factory=dict)
    _lock: threading.RLock = field(default_factory=threading.RLock)

    def sending(self, entries: Sequence[Entry]) -> int:
        """To be called before anything is sent; every entry carries its id."""
        with self._lock:
            self._tickets += 1
            self.open[self._tickets] = entries
            self._known_when_sent[self._tickets] = {entry["id"] for entry in entries} & self.acknowledged.keys()
            return self._tickets

    def unanswered(self) -> None:
        """The line was cut: nothing is known, so nothing changes."""
        with self._lock:
            self.cut += 1

    def waited(self, seconds: float) -> None:
        """An answer took so long."""
        with self._lock:
            self.slowest = max(self.slowest, seconds)

    def answered(self, ticket: int, status: int, document: Any, wanted: set[int]) -> bool:
        """An answer came; True where it settles the submission."""
        with self._lock:
            if status in NOT_NOW:
                self.not_now += 1
                return False
            entries, known = self.open.pop(ticket), self._known_when_sent.pop(ticket)
            if status not in wanted:
                self.broken.append(f"{status} where {sorted(wanted)} was right: {document}")
            if status in {200, 201}:
                self._promised(entries, known, status, document)
            elif status in SETTLED_REFUSALS:
                elsewhere = {entry["id"] for others in self.open.values() for entry in others}
                self.refused |= {entry["id"] for entry in entries} - self.acknowledged.keys() - elsewhere
            return True

    def _promised(self, entries: Sequence[Entry], known: set[str], status: int, receipt: Mapping[str, Any]) -> None:
        told = receipt["accepted"]
        if [one["id"] for one in told] != [entry["id"] for entry in entries]:
            self.broken.append(f"sent {[entry['id'] for entry in entries]}, answered {told}")
            return
        for entry, one in zip(entries, told, strict=True):
            before = self.acknowledged.get(entry["id"])
            promise = Promise(entry, one["seq"], one["leaf_hash"])
            if before is not None and (before.seq, before.leaf_hash) != (promise.seq, promise.leaf_hash):
                self.broken.append(f"{entry['id']} was {before.seq} {before.leaf_hash}, and is answered {one}")
            if entry["id"] in known and not one["replayed"]:
                self.broken.append(f"{entry['id']} was acknowledged, and is recorded again: {one}")
            self.replays += one["replayed"]
            self.acknowledged[entry["id"]] = promise
        self.submissions.append(entries)
        if (status == 200) != all(one["replayed"] for one in told):
            self.broken.append(f"{status} with {told}")
        self.saw(receipt["size"], receipt["root"])

    def saw(self, size: int, root: str) -> None:
        """The ledger was said to end here."""
        with self._lock:
            if self.heads.setdefault(size, root) != root:
                self.broken.append(f"two roots at size {size}: {self.heads[size]} and {root}")

    def complain(self, of: str) -> None:
        """Something that no client should ever see."""
        with self._lock:
            self.broken.append(of)

    def as_it_stands(self) -> Remembered:
        """A copy that later answers do not change."""
        with self._lock:
            kept = {name: copy.copy(value) for name, value in vars(self).items() if name != "_lock"}
            return Remembered(**kept)
