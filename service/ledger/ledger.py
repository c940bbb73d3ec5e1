"""The ledger as the edge sees it: one thing to read from and to submit to."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TypeVar

import structlog
from sqlalchemy import Connection
from sqlalchemy.exc import OperationalError

from service.entries.facility import FacilityOpened
from service.entries.refusals import Busy
from service.ledger.append import Clock, open_facility
from service.ledger.appender import Appender
from service.ledger.read_views import facility_of
from service.ledger.receipt import Receipt, Submission
from service.ledger.register import Facility
from service.store.engine import Store
from service.store.migrate import is_current

T = TypeVar("T")
_log = structlog.get_logger()


class Ledger:
    """A store with its appender and its clock."""

    def __init__(self, store: Store, clock: Clock) -> None:
        self.store, self.clock = store, clock
        self._appender = Appender(store, clock)

    def start(self) -> None:
        """Begin to take submissions."""
        self._appender.start()

    def stop(self) -> None:
        """Finish what was taken and give the database back."""
        self._appender.stop()
        self.store.close()

    async def submit(self, facility: str, submission: Submission) -> Receipt:
        """Record; see ``Appender.submit``."""
        return await self._appender.submit(facility, submission)

    async def read(self, question: Callable[[Connection], T]) -> T:
        """Ask one question of one state of the database.

        SQLite answers on the spot, which is faster than handing over to a thread; PostgreSQL may be far away.

        Raises:
            Busy: the database does not answer.
        """
        return self._ask(question) if self.store.is_sqlite else await asyncio.to_thread(self._ask, question)

    def _ask(self, question: Callable[[Connection], T]) -> T:
        with self._answering(), self.store.reading() as tx:
            return question(tx)

    async def write(self, deed: Callable[[Connection], T]) -> T:
        """Change what is kept beside the log, in one transaction; never the log itself.

        In a thread, because it waits for whoever appends.

        Raises:
            Busy: the database does not answer.
        """
        return await asyncio.to_thread(self._do, deed)

    def _do(self, deed: Callable[[Connection], T]) -> T:
        with self._answering(), self.store.writing() as tx:
            return deed(tx)

    @contextmanager
    def _answering(self) -> Iterator[None]:
        try:
            yield
        except OperationalError as trouble:
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
