"""Exports of a size: one rebuild in 60 entries on each of so many manifolds, judged, copied and signed."""

from __future__ import annotations

from pathlib import Path

from service.ledger.export import Withheld, export
from service.ledger.keys import SigningKey, enrol
from service.ledger.last_checkpoints import LastCheckpoints
from service.ledger.signed_logs import SignedLogs
from service.store.engine import Store
from tests.bench.fill import CODE, filled, now
from tests.bench.frame import Setting

WORK, PER_MANIFOLD = 60, 64
"""Entries of a rebuild; of a manifold: its three assets, the rebuild and the judgement."""


def size_of(setting: Setting) -> int:
    """How many entries the export is to have, about."""
    return 1_000_000 if setting.million else 20_000 if setting.quick else 200_000


def exported(setting: Setting, name: str) -> Path:
    """The file of an export; the database it came from is gone."""
    manifolds, key_file = size_of(setting) // PER_MANIFOLD, setting.folder / f"{name}.key"
    store = Store(filled(setting.folder, name, manifolds, work=WORK).url)
    try:
        enrol(store, key_file, CODE, now())
        signed = SignedLogs(SigningKey(key_file), LastCheckpoints(key_file))
        file = setting.folder / f"{name}.export"
        export(store, signed, CODE, file, Withheld(), lambda _done, _size: None)
    finally:
        store.close()
    for left in setting.folder.glob(f"{name}.sqlite3*"):
        left.unlink()
    return file
