"""The ledger as the edge sees it: one thing to read from and to submit to."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from time import monotonic
from typing import Final, TypeVar

import structlog
from sqlalchemy import Connection
from sqlalchemy.exc import DataError, DBAPIError, IntegrityError, NotSupportedError, OperationalError, ProgrammingError
from sqlalchemy.exc import TimeoutError as NoConnection

from service.entries.facility import FacilityOpened
from service.entries.refusals import Busy
from service.ledger.append import Clock, open_facility
from service.ledger.appender import Appender
from service.ledger.importing import Import
from service.ledger.read_views import facility_of
from service.ledger.receipt import Receipt, Submission
from service.ledger.register import Facility
from service.store import entries as stored
from service.store.engine import Store
from service.store.migrate import is_current

T = TypeVar("T")
_OUR_FAULTS = (ProgrammingError, DataError, IntegrityError, NotSupportedError)
"""A wrong question; every other failure is the database's: SQLite calls a read error of the disk a damaged file."""
RESTED: Final = 10.0
"""For how long a replica that has not answered is not asked, seconds."""
_log = structlog.get_logger()


class Ledger:
    """A store with its appender and its clock."""

    def __init__(self, store: Store, clock: Clock) -> None:
        self.store, self.clock = store, clock
        self._appender = Appender(store, clock)
        self._readers = ThreadPoolExecutor(store.readers, "reader")
        self._rests_until = 0.0

    def start(self) -> None:
        """Begin to take submissions. Raises InUse where another process serves this SQLite file."""
        self.store.claim()
        self._appender.start()

    def stop(self) -> None:
        """Finish what was taken and give the database back."""
        self._appender.stop()
        self._readers.shutdown()
        self.store.close()

    async def submit(self, facility: str, submission: Submission) -> Receipt:
        """Record; see ``Appender.submit``."""
        return await self._appender.submit(facility, submission)

    def importing(self, facility: str) -> Import:
        """Begin to take a stream of entries."""
        return Import(self._appender, facility)

    async def read(self, question: Callable[[Connection], T]) -> T:
        """Ask one question of one state of the database.

        SQLite answers on the spot, which is faster than handing over to a thread; PostgreSQL may be far away.

        Raises:
            Busy: the database does not answer.
        """
        return self._ask(question) if self.store.is_sqlite else await self._elsewhere(self._ask, question)

    async def look(self, facility: str, seen: int, question: Callable[[Connection], T]) -> tuple[T, int | None]:
        """The same, answered by the replica if there is one and it holds as many entries as the caller has ``seen``.

        Returns:
            The answer, and the size of the ledger it was read from; no size where there is no replica.

        Raises:
            Busy: neither answers.
        """
        if not self.store.has_replica:
            return await self.read(question), None
        return await self._elsewhere(self._look, facility, seen, question)

    async def _elsewhere(self, call: Callable[..., T], *arguments: object) -> T:
        return await asyncio.get_running_loop().run_in_executor(self._readers, call, *arguments)

    def _look(self, facility: str, seen: int, question: Callable[[Connection], T]) -> tuple[T, int | None]:
        def sized(tx: Connection) -> tuple[T, int]:
            head = stored.read_head(tx, facility)
            return question(tx), head.size if head else 0

        if monotonic() >= self._rests_until:
            try:
                with self.store.reading(replica=True) as tx:
                    head = stored.read_head(tx, facility)
                    if head is not None and head.size >= seen:
                        return question(tx), head.size
            except (OperationalError, NoConnection):
                _log.warning("the replica does not answer", exc_info=True)
                self._rests_until = monotonic() + RESTED
        return self._ask(sized)

    def _ask(self, question: Callable[[Connection], T]) -> T:
        try:
            with self.store.reading() as tx:
                return question(tx)
        except (DBAPIError, NoConnection) as trouble:
            if isinstance(trouble, _OUR_FAULTS):
                raise
            _log.exception("the database does not answer")
            raise Busy("the database does not answer", 5) from trouble

    async def facility(self, code: str) -> Facility:
        """A facility by its code. Raises Unknown."""
        return await self.read(lambda tx: facility_of(tx, code))

    async def ready(self) -> None:
        """Raises Busy where the database does not answer or is not up to date."""
        if not await asyncio.to_thread(is_current, self.store):
            raise Busy("the database does not answer, or is not migrated", 5)

    def open(self, opened: FacilityOpened) -> Receipt:
        """Open a new facility's ledger. Raises Contradiction where there is one."""
        return open_facility(self.store, opened, self.clock)
