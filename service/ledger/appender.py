"""The write path of a process: concurrent callers share a transaction, and each is answered only after the commit.

Callers stand in line, a line for each facility. A writer takes all that wait in one and calls ``append``; while it
waits for the disk the event loop reads the next requests. On PostgreSQL several writers work at once, each on a
facility of its own, so that one whose head is held by another process holds up nobody else; SQLite has one writer
anyway. A line that is full refuses (``Busy``) instead of growing, a stop finishes what was taken. A chunk of an import
has a transaction to itself, and takes turns with the submissions that wait: neither holds up the other for longer than
one transaction.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Container, Sequence
from functools import partial
from time import monotonic
from typing import Any, Final, cast

import structlog
from sqlalchemy.exc import DBAPIError, OperationalError
from sqlalchemy.exc import TimeoutError as NoConnection

from service.entries.refusals import Busy, Refusal
from service.ledger.append import MOST_JUDGED, Clock, append, append_each, judge_marked
from service.ledger.line import Line, Waiting
from service.ledger.memory import Memory
from service.ledger.promise import Promise
from service.ledger.receipt import Accepted, Chunk, Receipt, Submission
from service.ledger.remembered import Recent
from service.store import views
from service.store.engine import Store, passing

MOST_WAITING: Final = 1024
"""How many submissions wait for one facility."""
MOST_WAITING_IN_ALL: Final = 4096
MOST_FACILITIES: Final = 64
"""How many facilities a process remembers at once."""
JUDGED_BETWEEN: Final = 8
"""How many marked rebuilds are judged between two groups while callers wait."""
LOOKED_EVERY: Final = 5.0
"""How often a process looks for marks that nobody judges: those of one that was killed, or that failed. Seconds."""
_log = structlog.get_logger()


class Appender:
    """The write path of one process."""

    def __init__(self, store: Store, clock: Clock, held: Container[str] = ()) -> None:
        self._store, self._clock, self._held = store, clock, held
        self._memories: Recent[str, Memory] = Recent(MOST_FACILITIES)
        self._lines: dict[str, Line] = {}
        self._changed = threading.Condition()
        """Guards all of this object."""
        self._waiting, self._look_at, self._ending = 0, 0.0, False
        self._threads = [
            threading.Thread(target=self._run, name=f"appender-{number}", daemon=True)
            for number in range(store.writers)
        ]

    def start(self) -> None:
        """Begin to take submissions; what an earlier process left marked is judged first."""
        for thread in self._threads:
            thread.start()

    def stop(self) -> None:
        """Finish what was taken, then end."""
        with self._changed:
            self._ending = True
            self._changed.notify_all()
        for thread in self._threads:
            if thread.is_alive():
                thread.join()

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
            Busy: the appender cannot take them now.
            Unknown: there is no such facility.
        """
        outcomes: list[Accepted | Refusal] = await self._put(facility, chunk)
        return outcomes

    async def _put(self, facility: str, handed_in: Submission | Chunk) -> Any:
        future: Promise[Any] = Promise()
        with self._changed:
            if self._ending:
                raise Busy("the service is about to stop")
            line = self._lines.get(facility)
            if line is None:
                line = Line()
            if len(line) >= MOST_WAITING or self._waiting >= MOST_WAITING_IN_ALL:
                raise Busy("too many submissions are waiting")
            line.stand((handed_in, future))
            self._lines[facility] = line
            self._waiting += 1
            self._changed.notify()
        return await future.answer

    def _run(self) -> None:
        while (step := self._next()) is not None:
            step()

    def _next(self) -> Callable[[], None] | None:
        """What one writer does next; None at the end."""
        with self._changed:
            while True:
                if monotonic() >= self._look_at:
                    self._look_at = monotonic() + LOOKED_EVERY
                    return self._look
                for wanted in (Line.lags, _has_waiting, _is_behind):
                    for facility, line in self._lines.items():
                        if not line.taken and wanted(line) and not (self._ending and not len(line)):
                            return self._take(facility, line, judging=wanted is not _has_waiting)
                if self._ending and not self._waiting:
                    return None
                self._changed.wait(max(self._look_at - monotonic(), 0))

    def _take(self, facility: str, line: Line, *, judging: bool) -> Callable[[], None]:
        line.taken = True
        memory = self._memories.seen(facility) or self._memories.keep(facility, Memory(facility))
        if judging:
            return partial(self._judge, memory, JUDGED_BETWEEN if self._waiting else MOST_JUDGED)
        group = line.group()
        self._waiting -= len(group)
        return partial(self._record, memory, group)

    def _leave(self, facility: str, *, behind: bool, judged: bool = False) -> None:
        """Another may take the line now; those who wait longest in others come first."""
        with self._changed:
            line = self._lines.pop(facility)
            if judged or not line.behind:
                line.judged_at = monotonic()
            line.taken, line.behind, line.served = False, behind, not judged
            if len(line) or behind:
                self._lines[facility] = line
            self._changed.notify()

    def _record(self, memory: Memory, group: Sequence[Waiting]) -> None:
        # A caller who has gone away is passed over; one whose future runs can no longer go.
        group = [waiting for waiting in group if waiting[1].set_running_or_notify_cancel()]
        try:
            self._answer(memory, group)
        finally:
            self._leave(memory.code, behind=memory.marked)

    def _answer(self, memory: Memory, group: Sequence[Waiting]) -> None:
        """Append a group; where that fails through one of them, each is tried alone, so that it fails alone."""
        try:
            outcomes: Sequence[Any] = self._append(memory, [one for one, _ in group]) if group else []
        except (Refusal, OperationalError, NoConnection) as trouble:
            told = _told(trouble)
            outcomes = [told] * len(group)
            if isinstance(told, Busy):
                self._turn_away(memory.code, told)
        except Exception as trouble:  # noqa: BLE001 - whatever it is, callers are told and the appender lives on
            if len(group) > 1:
                for one in group:
                    self._answer(memory, [one])
                return
            outcomes = [_told(trouble)]
        for (_, future), outcome in zip(group, outcomes, strict=True):
            if isinstance(outcome, Exception):
                future.set_exception(outcome)
            else:
                future.set_result(outcome)

    def _append(self, memory: Memory, handed_in: Sequence[Submission | Chunk]) -> Sequence[Any]:
        """Append submissions, or a chunk, which comes alone.

        Once more where PostgreSQL had to choose a victim, or the connection was lost.

        Lost at the commit, the group may be there already: then every entry of it is found by its id.
        """
        try:
            return self._appended(memory, handed_in)
        except DBAPIError as trouble:
            if not passing(trouble):
                raise
            _log.warning("a group is tried again", facility=memory.code, trouble=str(trouble.orig))
            return self._appended(memory, handed_in)

    def _appended(self, memory: Memory, handed_in: Sequence[Submission | Chunk]) -> Sequence[Any]:
        first = handed_in[0]
        if isinstance(first, Chunk):
            return [append_each(self._store, memory, first, self._clock)]
        return append(self._store, memory, cast("Sequence[Submission]", handed_in), self._clock)

    def _turn_away(self, facility: str, told: Busy) -> None:
        """Nobody stands in line for a database that has just not answered: each would wait as long again."""
        with self._changed:
            waiting = self._lines[facility].all()
            self._waiting -= len(waiting)
        for _, future in waiting:
            if future.set_running_or_notify_cancel():
                future.set_exception(told)

    def _look(self) -> None:
        """Find marks that nobody judges."""
        try:
            with self._store.reading() as tx:
                found = [code for code in views.facilities_with_marks(tx) if code not in self._held]
        except (DBAPIError, NoConnection):
            _log.exception("marks could not be read")
            return
        with self._changed:
            for facility in found:
                self._lines.setdefault(facility, Line()).behind = True
            self._changed.notify_all()

    def _judge(self, memory: Memory, most: int) -> None:
        """Judge some of what is marked; where that fails they stay marked, and are found again by the next look."""
        judged = 0
        try:
            judged = judge_marked(self._store, memory, self._clock, most)
        except Exception:  # noqa: BLE001 - as above
            _log.exception("marked rebuilds could not be judged", facility=memory.code)
        finally:
            self._leave(memory.code, behind=judged > 0, judged=True)


def _has_waiting(line: Line) -> bool:
    return len(line) > 0


def _is_behind(line: Line) -> bool:
    return line.behind


def _told(trouble: Exception) -> Exception:
    """What callers are told: a database that cannot write now is worth another try; a fault of ours is a fault."""
    if isinstance(trouble, Refusal):
        return trouble
    _log.error("a group was not recorded", exc_info=trouble)
    if isinstance(trouble, DBAPIError | NoConnection):
        return Busy("the ledger could not be written: send it again, nothing is recorded twice", 5)
    return trouble
