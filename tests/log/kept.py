"""A bench whose ledger is signed, exported and verified."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from service.ledger.export import Withheld, export
from service.ledger.keys import SigningKey, enrol
from service.ledger.last_checkpoints import LastCheckpoints
from service.ledger.log import Signed
from service.ledger.restore import restore
from service.ledger.signed_logs import SignedLogs
from service.ledger.verify import Report, verify_file
from service.ledger.verify_database import verify_database
from service.merkle.key import VerifierKey
from service.store.engine import Store
from tests.ledger.bench import Bench


def unwatched(*_: Any) -> None:
    """Nobody looks at the progress."""


class Kept:
    """A facility's ledger, its key file, and files made of it."""

    def __init__(self, bench: Bench, folder: Path) -> None:
        self.bench, self.folder = bench, folder
        self.key_file = folder / "witnessmark.key"
        self.last = LastCheckpoints(self.key_file)
        self.key: VerifierKey = enrol(bench.store, self.key_file, bench.facility, bench.clock())
        self.file = folder / "ledger.export"

    @property
    def signed(self) -> SignedLogs:
        return SignedLogs(SigningKey(self.key_file), self.last)

    def export(self, **withheld: Any) -> bytes:
        """Write the export; its bytes."""
        export(self.bench.store, self.signed, self.bench.facility, self.file, Withheld(**withheld), unwatched)
        return self.file.read_bytes()

    def checkpoint(self) -> Signed:
        """Sign the present checkpoint, as the service does before it serves it."""
        signed = self.signed
        last = signed.last()
        with self.bench.store.reading() as tx:
            told = signed.checkpoint(tx, self.bench.facility, last)
        signed.remember(told.checkpoint, last)
        return told

    def verify(self, content: bytes | None = None, *keys: VerifierKey, **how: Any) -> Report:
        """What is found of the export, or of other bytes in its place."""
        file = self.file
        if content is not None:
            file = self.folder / "changed.export"
            file.write_bytes(content)
        return verify_file(file, keys or (self.key,), **how)

    def verify_database(self) -> Report:
        return verify_database(self.bench.store, self.last, self.bench.facility, unwatched)

    def replay_into(self, store: Store) -> Signed | Any:
        return restore(store, self.file, (self.key,), unwatched)
