"""Those who wait to write to one facility: submissions, which share a transaction, and chunks, which have their own."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from time import monotonic
from typing import Any, Final

from service.ledger.promise import Promise
from service.ledger.receipt import Chunk, Submission

MOST_IN_GROUP: Final = 256
MOST_ENTRIES_IN_GROUP: Final = 4000
"""So that a transaction, and who waits behind it, takes seconds at most however large the posts are."""
JUDGED_EVERY: Final = 0.25
"""How often marked rebuilds are judged while callers wait, seconds."""
Waiting = tuple["Submission | Chunk", Promise[Any]]


@dataclass(slots=True)
class Line:
    """Those who wait for one facility."""

    waiting: deque[Waiting] = field(default_factory=deque)
    chunks: deque[Waiting] = field(default_factory=deque)
    chunks_turn: bool = False
    taken: bool = False
    """A writer is at it."""
    behind: bool = False
    """Rebuilds wait to be judged again, and since when nobody has; whether callers were served since then."""
    judged_at: float = 0.0
    served: bool = True

    def lags(self) -> bool:
        """Is it time to judge a few, whoever waits? Never twice without a group in between, where one waits."""
        return self.behind and (self.served or not len(self)) and monotonic() - self.judged_at >= JUDGED_EVERY

    def __len__(self) -> int:
        return len(self.waiting) + len(self.chunks)

    def stand(self, one: Waiting) -> None:
        """Join those who wait."""
        (self.chunks if isinstance(one[0], Chunk) else self.waiting).append(one)

    def group(self) -> list[Waiting]:
        """Those who come next: one chunk, or many submissions."""
        if self.chunks and (self.chunks_turn or not self.waiting):
            self.chunks_turn = False
            return [self.chunks.popleft()]
        self.chunks_turn = True
        group, entries = list[Waiting](), 0
        while self.waiting and len(group) < MOST_IN_GROUP and entries < MOST_ENTRIES_IN_GROUP:
            group.append(self.waiting.popleft())
            entries += len(group[-1][0].drafts)
        return group

    def all(self) -> list[Waiting]:
        """Everybody, and none of them waits any longer."""
        everybody = [*self.waiting, *self.chunks]
        self.waiting.clear()
        self.chunks.clear()
        return everybody
