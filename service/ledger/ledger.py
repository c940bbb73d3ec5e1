"""The ledger as the edge sees it: one thing to read from and to submit to."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from time import monotonic
from typing import Final, TypeVar

import structlog
from sqlalchemy import Connection
from sqlalchemy.exc import DataError, DBAPIError, IntegrityError, NotSupportedError, OperationalError, ProgrammingError
from sqlalchemy.exc import TimeoutError as NoConnection

from service.entries.facility import FacilityOpened
from service.entries.refusals import Busy, Refusal, Unsigned
from service.ledger import log
from service.ledger.append import Clock, open_facility
from service.ledger.appender import Appender
from service.ledger.importing import Import
from service.ledger.keys import SigningKey
from service.ledger.last_checkpoints import LastCheckpoints
from service.ledger.log import Signed
from service.ledger.read_views import facility_of
from service.ledger.receipt import Accepted, Chunk, Receipt, Submission
from service.ledger.register import Facility
from service.ledger.signed_logs import SignedLogs
from service.store import entries as stored
from service.store.engine import Store
from service.store.migrate import is_current

T = TypeVar("T")
_OUR_FAULTS = (ProgrammingError, DataError, IntegrityError, NotSupportedError)
"""A wrong question; every other failure is the database's: SQLite calls a read error of the disk a damaged file."""
RESTED: Final = 10.0
"""For how long a replica that has not answered is not asked, seconds."""
REMEMBERED_EVERY = 60.0
"""Seconds."""
_log = structlog.get_logger()


class Ledger:
    """A store with its appender, its clock and the key that signs its logs."""

    def __init__(self, store: Store, clock: Clock, key_file: Path) -> None:
        self.store, self.clock = store, clock
        self.signed = SignedLogs(SigningKey(key_file), LastCheckpoints(key_file))
        self._appender = Appender(store, clock, self.signed.held)
        self._readers = ThreadPoolExecutor(store.readers, "reader")
        self._rests_until = 0.0
        self._stopping = threading.Event()
        self._remembering = threading.Thread(target=self._remember, name="last checkpoints", daemon=True)

    def start(self) -> None:
        """Begin to take submissions.

        Raises:
            InUse: another process serves this SQLite file.
            Unsigned: the key file is missing, open to others, or not the key that signs the logs.
        """
        self.store.claim()
        try:
            with self.store.reading() as tx:
                self.signed.check(tx)
        except DBAPIError:  # the service starts all the same, says so at /readyz, and checks before it writes
            _log.exception("the logs could not be checked")
        self._appender.start()
        self._remembering.start()

    def _remember(self) -> None:
        """Note where the logs end, now and then and at the end: a backup put back after a crash is noticed by it."""
        while not self._stopping.wait(REMEMBERED_EVERY):
            self._remember_once()
        self._remember_once()

    def _remember_once(self) -> None:
        try:
            self.signed.remember_all(self.store)
        except (DBAPIError, Unsigned):
            _log.exception("the last checkpoints could not be remembered")

    def stop(self) -> None:
        """Finish what was taken, remember where the logs end and give the database back."""
        self._appender.stop()
        self._stopping.set()
        self._remembering.join()
        self._readers.shutdown()
        self.store.close()

    async def submit(self, facility: str, submission: Submission) -> Receipt:
        """Record; see ``Appender.submit``. Raises ReadOnly where the database is older than what the log signed."""
        await self._writable(facility)
        return await self._appender.submit(facility, submission)

    def importing(self, facility: str) -> Import:
        """Begin to take a stream of entries."""
        return Import(self, facility)

    async def submit_chunk(self, facility: str, chunk: Chunk) -> list[Accepted | Refusal]:
        """Record entries each for itself; see ``Appender.submit_chunk``. Raises ReadOnly as ``submit`` does."""
        await self._writable(facility)
        return await self._appender.submit_chunk(facility, chunk)

    async def _writable(self, facility: str) -> None:
        if not self.signed.checked or facility in self.signed.held:
            await self.read(lambda tx: self.signed.writable(tx, facility))

    async def checkpoint(self, facility: str) -> bytes:
        """The facility's present checkpoint as it is served. Raises Unknown, Unsigned, ReadOnly."""
        return await self._signed(facility, lambda _, signed: signed.note)

    async def proof(self, facility: str, seq: int) -> bytes:
        """The file that proves one entry in the present checkpoint. Raises Unknown, Unsigned, ReadOnly."""
        return await self._signed(facility, lambda tx, signed: log.proof(tx, facility, seq, signed))

    async def _signed(self, facility: str, then: Callable[[Connection, Signed], bytes]) -> bytes:
        """Sign the present checkpoint; it is remembered before anything with it leaves."""
        last = self.signed.last()

        def question(tx: Connection) -> tuple[Signed, bytes]:
            signed = self.signed.checkpoint(tx, facility, last)
            return signed, then(tx, signed)

        signed, answer = await self.read(question)
        await asyncio.to_thread(self.signed.remember, signed.checkpoint, last)
        return answer

    async def cosign(self, facility: str, sent: bytes) -> None:
        """Take a witness's signature over the present checkpoint; see ``log.cosign``. Raises ReadOnly too."""
        await asyncio.to_thread(self._cosign, facility, sent)

    def _cosign(self, facility: str, sent: bytes) -> None:
        with self._answering(), self.store.writing() as tx:
            self.signed.writable(tx, facility)
            log.cosign(tx, facility, sent, self.clock())

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
