"""The things a writer remembers, and how many of them."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Hashable, Iterable
from dataclasses import dataclass, field
from typing import Any, TypeVar

from sqlalchemy import Row

from service.checks.job import Job
from service.ledger.entry import Entry
from service.ledger.judge import Judgement
from service.ledger.rebuild import Folded, fold, instruments_named, plain_fact

K = TypeVar("K", bound=Hashable)
V = TypeVar("V")


class Recent(OrderedDict[K, V]):
    """A dictionary that keeps the most recently used of its things."""

    def __init__(self, most: int) -> None:
        super().__init__()
        self._most = most

    def seen(self, key: K) -> V | None:
        """The thing, now the most recent; None where it is not kept."""
        thing = self.get(key)
        if thing is not None:
            self.move_to_end(key)
        return thing

    def keep(self, key: K, thing: V) -> V:
        """Keep a thing, at the cost of the one unused for longest."""
        self[key] = thing
        self.move_to_end(key)
        if len(self) > self._most:
            self.popitem(last=False)
        return thing


@dataclass(slots=True)
class Work:
    """A rebuild as far as the ledger has heard of it: its facts, the job they make, how it was judged, its view."""

    folded: Folded = field(default_factory=Folded)
    lifecycle: list[Entry] = field(default_factory=list)
    """Its openings and closings, and the corrections among its entries."""
    last_seq: int = 0
    row: dict[str, Any] | None = None
    job: Job | None = None
    judgement: Judgement | None = None
    used: frozenset[str] = frozenset()
    """Instruments its facts name."""

    @classmethod
    def of(cls, entries: Iterable[Entry], row: Row[Any] | None) -> Work:
        """From all its entries and its view."""
        known = list(entries)
        folded = fold(known)
        return cls(
            folded,
            [entry for entry in known if entry.type in _LIFECYCLE],
            max((entry.seq for entry in known), default=0),
            row._asdict() if row is not None else None,
            used=instruments_named(folded.facts),
        )

    def take(self, entries: Iterable[Entry]) -> None:
        """Facts that are new; corrections want a new start."""
        new = [entry for entry in entries if entry.seq > self.last_seq]
        facts = [plain_fact(entry) for entry in new]
        self.folded = self.folded.joined_by(facts)
        self.used |= instruments_named(facts)
        self.lifecycle += [entry for entry in new if entry.type in _LIFECYCLE]
        self.last_seq = max([self.last_seq, *(entry.seq for entry in new)])


_LIFECYCLE = frozenset({"rebuild.opened", "rebuild.closed", "entry.corrected"})
