"""A bench whose ledger is signed, exported and verified."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from service.ledger import log
from service.ledger.export import Withheld, export
from service.ledger.keys import SigningKey, add_witness, enrol, rotate
from service.ledger.last_checkpoints import LastCheckpoints
from service.ledger.log import Signed
from service.ledger.restore import restore
from service.ledger.signed_logs import SignedLogs
from service.ledger.verify import Report, verify_file
from service.ledger.verify_database import verify_database
from service.merkle.checkpoint import SignedCheckpoint
from service.merkle.key import VerifierKey, Witness, parse_key
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
        return verify_file(self.file if content is None else self.put(content), keys or (self.key,), **how)

    def put(self, content: bytes) -> Path:
        """A file of these bytes beside the export."""
        file = self.folder / "changed.export"
        file.write_bytes(content)
        return file

    @staticmethod
    def verify_with(path: Path, *keys: VerifierKey) -> Report:
        """What is found of a file with these keys, or with none."""
        return verify_file(path, keys)

    def rotate(self) -> VerifierKey:
        """Sign with a new key from now on."""
        rotate(self.bench.store, self.key_file, self.bench.clock())
        with self.bench.store.reading() as tx:
            self.key = parse_key(log.key_line(tx, self.bench.facility).strip())
        return self.key

    def cosigned_by(self, witness: Witness) -> None:
        """A witness signs the present checkpoint."""
        add_witness(self.bench.store, self.bench.facility, witness.key.line, self.bench.clock())
        line = witness.cosign(self.checkpoint().checkpoint.text, int(self.bench.clock().timestamp())).line
        with self.bench.store.writing() as tx:
            log.cosign(tx, self.bench.facility, f"{line}\n".encode(), self.bench.clock())

    def verify_database(self) -> Report:
        return verify_database(self.bench.store, self.last, self.bench.facility, unwatched)

    def replay_into(
        self,
        store: Store,
        progress: Callable[[int, int], None] = unwatched,
        *,
        keys: Sequence[VerifierKey] | None = None,
        content: bytes | None = None,
    ) -> SignedCheckpoint:
        """Put the export, or other bytes in its place, into a database."""
        file = self.file if content is None else self.put(content)
        return restore(store, file, [self.key] if keys is None else keys, progress)
