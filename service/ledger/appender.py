"""One appender a process: concurrent callers share a transaction, and each is answered only after the commit.

Callers put their submissions into a bounded queue; one thread takes all that wait, a facility at a time, and calls
``append``. While it waits for the disk the event loop reads the next requests. A full queue refuses (``Busy``) instead
of growing, a stop finishes what was taken. A chunk of an import has a transaction to itself, and takes turns with the
submissions that wait: neither holds up the other for longer than one transaction.
"""

from __future__ import annotations

import asyncio
import queue
import threading
from collections import deque
from collections.abc import Sequence
from concurrent.futures import Future
from typing import Any, Final, cast

import structlog
from sqlalchemy.exc import DBAPIError

from service.entries.refusals import Busy, Refusal
from service.ledger.append import Clock, append, append_each, judge_marked
from service.ledger.memory import Memory
from service.ledger.receipt import Accepted, Chunk, Receipt, Submission
from service.ledger.remembered import Recent
from service.store import views
from service.store.engine import Store

MOST_WAITING: Final = 1024
MOST_IN_GROUP: Final = 256
MOST_FACILITIES: Final = 64
"""How many facilities a process remembers at once."""
_log = structlog.get_logger()
_Waiting = tuple[str, "Submission | Chunk", "Future[Any]"]


class Appender:
    """The write path of one process."""

    def __init__(self, store: Store, clock: Clock) -> None:
        self._store, self._clock = store, clock
        self._memories: Recent[str, Memory] = Recent(MOST_FACILITIES)
        self._queue: queue.Queue[_Waiting | None] = queue.Queue(MOST_WAITING)
        self._chunks: deque[_Waiting] = deque()
        self._chunks_turn = False
        self._behind: dict[str, None] = {}
        self._thread = threading.Thread(target=self._run, name="appender", daemon=True)

    def start(self) -> None:
        """Begin to take submissions; what an earlier process left marked is judged first."""
        self._thread.start()

    def stop(self) -> None:
        """Finish what was taken, then end."""
        self._queue.put(None)
        self._thread.join()

    async def submit(self, facility: str, submission: Submission) -> Receipt:
        """Record a submission; returns once it is durable.

        Raises:
            Refusal: it was kept out, or (``Busy``) the appender cannot take it now.
        """
        receipt: Receipt = await self._put(facility, submission)
        return receipt

    async def submit_chunk(self, facility: str, chunk: Chunk) -> list[Accepted | Refusal]:
        """Record entries each for itself; what became of each, once it is durable.

        Raises:
            Busy: the appender cannot take them now; none is recorded.
            Unknown: there is no such facility.
        """
        outcomes: list[Accepted | Refusal] = await self._put(facility, chunk)
        return outcomes

    async def _put(self, facility: str, handed_in: Submission | Chunk) -> Any:
        future: Future[Any] = Future()
        try:
            self._queue.put_nowait((facility, handed_in, future))
        except queue.Full:
            raise Busy("too many submissions are waiting") from None
        return await asyncio.wrap_future(future)

    def _run(self) -> None:
        self._judge_left_over()
        while (group := self._next_group()) is not None:
            # A caller who has gone away is passed over; one whose future runs can no longer go.
            group = [waiting for waiting in group if waiting[2].set_running_or_notify_cancel()]
            for facility in dict.fromkeys(facility for facility, _, _ in group):
                self._record(facility, [waiting for waiting in group if waiting[0] == facility])
            self._judge_behind()

    def _next_group(self) -> list[_Waiting] | None:
        """All submissions that wait now, or the first that comes, in turn with one chunk; None at the end."""
        group = [] if self._chunks and self._chunks_turn else self._taken()
        if not group and not self._chunks:
            return None
        self._chunks_turn = bool(group)
        return group or [self._chunks.popleft()]

    def _taken(self) -> list[_Waiting]:
        """Submissions taken from the queue, chunks among them put aside; waits only if there is nothing at all."""
        group: list[_Waiting] = []
        while len(group) < MOST_IN_GROUP and not (self._queue.empty() and (group or self._chunks)):
            following = self._queue.get()
            if following is None:
                if group or self._chunks:
                    self._queue.put(None)  # the stop comes after these
                break
            (self._chunks if isinstance(following[1], Chunk) else group).append(following)
        return group

    def _record(self, facility: str, waiting: list[_Waiting]) -> None:
        try:
            outcomes = self._appended(facility, [handed_in for _, handed_in, _ in waiting])
        except Exception as trouble:  # noqa: BLE001 - whatever it is, callers are told and the appender lives on
            for _, _, future in waiting:
                future.set_exception(_told(trouble))
            return
        for (_, _, future), outcome in zip(waiting, outcomes, strict=True):
            if isinstance(outcome, Refusal):
                future.set_exception(outcome)
            else:
                future.set_result(outcome)
        if self._memory(facility).marked:
            self._behind[facility] = None

    def _appended(self, facility: str, handed_in: list[Submission | Chunk]) -> Sequence[Any]:
        """What became of a chunk, which comes alone, or of each of several submissions."""
        memory, first = self._memory(facility), handed_in[0]
        if isinstance(first, Chunk):
            return [append_each(self._store, memory, first, self._clock)]
        return append(self._store, memory, cast("list[Submission]", handed_in), self._clock)

    def _memory(self, facility: str) -> Memory:
        return self._memories.seen(facility) or self._memories.keep(facility, Memory(facility))

    def _judge_left_over(self) -> None:
        try:
            with self._store.reading() as tx:
                self._behind = dict.fromkeys(views.facilities_with_marks(tx))
        except DBAPIError:
            _log.exception("marks could not be read")
        self._judge_behind()

    def _judge_behind(self) -> None:
        """Judge what is marked, a facility at a time, as long as nobody waits."""
        while self._behind and self._queue.empty():
            facility = next(iter(self._behind))
            try:
                if not judge_marked(self._store, self._memory(facility), self._clock):
                    del self._behind[facility]
            except Exception:  # noqa: BLE001 - as above; they stay marked, and are tried again after the next entry
                _log.exception("marked rebuilds could not be judged", facility=facility)
                del self._behind[facility]


def _told(trouble: Exception) -> Exception:
    """What callers are told: a database that cannot write now is worth another try; a fault of ours is a fault."""
    if isinstance(trouble, Refusal):
        return trouble
    _log.error("a group was not recorded", exc_info=trouble)
    return (
        Busy("the ledger could not be written: nothing was recorded", 5) if isinstance(trouble, DBAPIError) else trouble
    )
