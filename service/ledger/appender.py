"""One appender a process: concurrent callers share a transaction, and each is answered only after the commit.

Callers put their submissions into a bounded queue; one thread takes all that wait, a facility at a time, and calls
``append``. While it waits for the disk the event loop reads the next requests. A full queue refuses (``Busy``) instead
of growing, a stop finishes what was taken.
"""

from __future__ import annotations

import queue
import threading
from typing import Final

import structlog
from sqlalchemy.exc import DBAPIError

from service.entries.refusals import Busy, Refusal
from service.ledger.append import Clock, append, judge_marked
from service.ledger.memory import Memory
from service.ledger.promise import Promise
from service.ledger.receipt import Receipt, Submission
from service.ledger.remembered import Recent
from service.store import views
from service.store.engine import Store

MOST_WAITING: Final = 1024
MOST_IN_GROUP: Final = 256
MOST_FACILITIES: Final = 64
"""How many facilities a process remembers at once."""
_log = structlog.get_logger()
_Waiting = tuple[str, Submission, Promise[Receipt]]


class Appender:
    """The write path of one process."""

    def __init__(self, store: Store, clock: Clock) -> None:
        self._store, self._clock = store, clock
        self._memories: Recent[str, Memory] = Recent(MOST_FACILITIES)
        self._queue: queue.Queue[_Waiting | None] = queue.Queue(MOST_WAITING)
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
        future: Promise[Receipt] = Promise()
        try:
            self._queue.put_nowait((facility, submission, future))
        except queue.Full:
            raise Busy("too many submissions are waiting") from None
        return await future.answer

    def _run(self) -> None:
        self._judge_left_over()
        while (group := self._next_group()) is not None:
            # A caller who has gone away is passed over; one whose future runs can no longer go.
            group = [waiting for waiting in group if waiting[2].set_running_or_notify_cancel()]
            for facility in dict.fromkeys(facility for facility, _, _ in group):
                self._record(facility, [(one, future) for name, one, future in group if name == facility])
            self._judge_behind()

    def _next_group(self) -> list[_Waiting] | None:
        """All that wait now, or the first that comes; None at the end."""
        first = self._queue.get()
        group = [] if first is None else [first]
        while group and len(group) < MOST_IN_GROUP and not self._queue.empty():
            following = self._queue.get()
            if following is None:
                self._queue.put(None)  # the stop comes after this group
                break
            group.append(following)
        return group or None

    def _record(self, facility: str, waiting: list[tuple[Submission, Promise[Receipt]]]) -> None:
        try:
            outcomes = append(self._store, self._memory(facility), [one for one, _ in waiting], self._clock)
        except Exception as trouble:  # noqa: BLE001 - whatever it is, callers are told and the appender lives on
            for _, future in waiting:
                future.set_exception(_told(trouble))
            return
        for (_, future), outcome in zip(waiting, outcomes, strict=True):
            if isinstance(outcome, Refusal):
                future.set_exception(outcome)
            else:
                future.set_result(outcome)
        if self._memory(facility).marked:
            self._behind[facility] = None

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
