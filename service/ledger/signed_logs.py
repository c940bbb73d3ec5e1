"""Which logs this service may sign and write, held against the key file and the last checkpoints it remembers.

A log never signs two checkpoints that contradict each other. So what is about to be signed is first shown to be a
continuation of what was signed last, and a facility whose database is behind that (a backup was put back) is *held*:
read, but neither written nor signed, until an operator has accepted it.
"""

from __future__ import annotations

import structlog
from sqlalchemy import Connection

from service.entries.refusals import ReadOnly
from service.ledger import log
from service.ledger.keys import SigningKey
from service.ledger.last_checkpoints import Last, LastCheckpoints, behind
from service.ledger.log import Signed
from service.ledger.read_views import facility_of
from service.merkle.checkpoint import Checkpoint
from service.store import log as log_keys
from service.store import views
from service.store.engine import Store

_log = structlog.get_logger()


class SignedLogs:
    """The key file, what it has signed last, and the facilities that are held."""

    def __init__(self, signing: SigningKey, last: LastCheckpoints) -> None:
        self._signing, self._last = signing, last
        self.checked = False
        self.held: dict[str, str] = {}
        """Facilities that are read-only, each with the reason."""

    def last(self) -> Last:
        """What was signed last. Asked before the state of the database that is held against it: no state that begins
        later can be behind what other processes sign meanwhile. Raises Unsigned where it cannot be read.
        """
        return self._last.all()

    def check(self, tx: Connection) -> None:
        """Hold key file and last checkpoints against the database. Precondition: ``tx`` has read nothing yet.

        Raises:
            Unsigned: the key file is missing, open to others, or not the key that signs the logs.
        """
        last = self.last()
        self._signing.check(tx)
        for facility in views.all_facilities(tx):
            self._look(tx, facility, last)
        self.checked = True

    def writable(self, tx: Connection, facility: str) -> None:
        """Raises ReadOnly where the database is older than what the log has signed; asked again each time.

        Precondition: ``tx`` has read nothing yet.
        """
        if not self.checked:
            self.check(tx)
        elif facility in self.held:
            self._look(tx, facility, self.last())
        self._refuse_held(facility)

    def _refuse_held(self, facility: str) -> None:
        if facility in self.held:
            raise ReadOnly(self.held[facility], 300)

    def _look(self, tx: Connection, facility: str, last: Last) -> None:
        signed = last.get(facility_of(tx, facility).origin)
        why = behind(tx, facility, signed) if signed is not None else None
        if why is None:
            self.held.pop(facility, None)
        elif facility not in self.held:
            told = f"{why}: a backup was put back, or the database was changed"
            self.held[facility] = f"{told}. An operator looks into it, then runs witnessmark facility accept-restore"
            _log.error("a facility is read-only", facility=facility, why=told)

    def checkpoint(self, tx: Connection, facility: str, last: Last) -> Signed:
        """The present checkpoint, which continues what was signed last. Raises Unknown, Unsigned, ReadOnly."""
        present = log.present(tx, facility)
        if last.get(present.origin) != present:
            self._look(tx, facility, last)
        self._refuse_held(facility)
        return log.sign(tx, facility, present, self._signing)

    def remember(self, signed: Checkpoint, last: Last) -> None:
        """Before it leaves. Raises Unsigned where that cannot be."""
        if last.get(signed.origin) != signed:
            self._last.remember(signed)

    def remember_all(self, store: Store) -> None:
        """Where the logs end, unless they are held. Raises DBAPIError, Unsigned."""
        last = self.last()
        with store.reading() as tx:
            if not self.checked:
                self.check(tx)
            known = log_keys.current_keys(tx)
            for facility in known:
                self._look(tx, facility, last)
            here = [log.present(tx, facility) for facility in known if facility not in self.held]
        if new := [one for one in here if last.get(one.origin) != one]:
            self._last.remember(*new)
