"""A stream of entries on its way into the ledger: any number of them, a chunk in each transaction.

Each entry is a submission of its own: one that is refused leaves its neighbours alone. One chunk of an import is under
way at a time, through the same appender as everybody's posts, which take turns with it. After a crash or a cut line the
chunks that were committed stay; the whole stream sent again repeats nothing, because every entry has the same id again.
"""

from __future__ import annotations

import asyncio
import hashlib
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import replace
from typing import Protocol, Self

from service.entries.catalogue import Scope
from service.entries.envelope import Draft, derived_id
from service.entries.refusals import Busy, Refusal
from service.ledger.receipt import Accepted, Chunk
from service.merkle.canonical import canonical
from service.store.ordinals import Ordinals

LONGEST_WAIT = 20.0
"""Seconds that an import waits for a ledger that cannot take its chunk, before it gives up."""
_FIRST_PAUSE, _LONGEST_PAUSE = 0.05, 2.0


class Taker(Protocol):
    """Who records a chunk: see ``Appender.submit_chunk``."""

    async def submit_chunk(self, facility: str, chunk: Chunk) -> list[Accepted | Refusal]:
        """Record entries each for itself."""


class Import:
    """One caller's stream.

    Args:
        ledger: who records its chunks.
        facility: its code.
        pause: how to wait, seconds.
    """

    def __init__(self, ledger: Taker, facility: str, pause: Callable[[float], Awaitable[None]] = asyncio.sleep) -> None:
        self._ledger, self._facility, self._pause = ledger, facility, pause
        self._ordinals: Ordinals | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if self._ordinals is not None:
            self._ordinals.close()

    async def record(
        self, drafts: Sequence[Draft], credential: str, scopes: frozenset[Scope]
    ) -> list[Accepted | Refusal]:
        """Record the next entries of the stream, in order; for each what became of it, durable before this returns.

        Raises:
            Busy: the ledger could not take them for ``LONGEST_WAIT`` seconds; none of them is recorded.
        """
        chunk = Chunk([self._identified(draft) for draft in drafts], credential, scopes)
        pause, waited = _FIRST_PAUSE, 0.0
        while True:
            try:
                return await self._ledger.submit_chunk(self._facility, chunk)
            except Busy:
                if waited >= LONGEST_WAIT:
                    raise
            await self._pause(pause)
            pause, waited = min(2 * pause, _LONGEST_PAUSE), waited + pause

    def _identified(self, draft: Draft) -> Draft:
        """With the id it would have, had the whole stream been posted as one list.

        The ordinal that tells identical entries apart is counted over the stream, refused ones included, and not over a
        chunk: where chunks end is chance, and the same stream must have the same ids again.
        """
        if draft.envelope.id is not None:
            return draft
        if self._ordinals is None:
            self._ordinals = Ordinals()
        ordinal = self._ordinals.following(hashlib.sha256(canonical(dict(draft.sent))).digest())
        id_ = derived_id(self._facility, draft.sent, ordinal)
        return replace(draft, envelope=draft.envelope.model_copy(update={"id": id_}), sent={**draft.sent, "id": id_})
