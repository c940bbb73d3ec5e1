"""The key that signs the logs: one file for all facilities, its public halves in the database.

The file (PKCS#8, PEM) is its owner's alone. A facility's public half carries its origin as name, so one private key
gives every facility a verifier key of its own. A key that is retired stays listed: what it signed stays verifiable.

Rotation, step by step, and what a crash would leave:

1. write the new key beside the old one (``….new``)     nothing: the next rotation takes it up
2. put its public halves into the database, commit      the file is not the current key: the service refuses to start
                                                        and says that the rotation is to be finished
3. keep the old file under its key id, move the new one into its place
"""

from __future__ import annotations

import os
import stat
from datetime import datetime
from pathlib import Path
from typing import Any

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat, load_pem_private_key
from sqlalchemy import Connection, Row

from service.entries.refusals import Contradiction, Unknown, Unsigned
from service.entries.words import microseconds
from service.ledger.read_views import facility_of
from service.merkle.key import KeyKind, NoteError, Signer, VerifierKey, parse_key
from service.store import entries as stored
from service.store import log, views
from service.store.engine import Store


def make_file(path: Path) -> Ed25519PrivateKey:
    """A new private key in a file that only its owner can read; complete, or not there at all.

    Raises:
        Unsigned: there is a file, or it cannot be written.
    """
    private = Ed25519PrivateKey.generate()
    pem = private.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
    unfinished = path.with_name(f"{path.name}.{os.getpid()}")
    try:
        descriptor = os.open(unfinished, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(descriptor, "wb") as file:
            file.write(pem)
            file.flush()
            os.fsync(file.fileno())
        os.link(unfinished, path)  # never over another
        _settle(path.parent)
    except OSError as trouble:
        raise Unsigned(f"no key file {path} can be made: {trouble.strerror}") from trouble
    finally:
        unfinished.unlink(missing_ok=True)
    return private


def read_file(path: Path) -> Ed25519PrivateKey:
    """The private key in a file.

    Raises:
        Unsigned: there is none, others can read it, or it holds something else.
    """
    try:
        mode = path.stat().st_mode
        if stat.S_IMODE(mode) & 0o077:
            raise Unsigned(f"the key file {path} is open to others: make it its owner's alone (chmod 600)")
        private = load_pem_private_key(path.read_bytes(), None)
    except FileNotFoundError:
        raise Unsigned(f"the key file {path} is missing: put it back from where it is kept safe") from None
    except OSError as trouble:
        raise Unsigned(f"the key file {path} cannot be read: {trouble.strerror}") from trouble
    except (ValueError, TypeError) as trouble:
        raise Unsigned(f"the key file {path} holds no private key without a password") from trouble
    if not isinstance(private, Ed25519PrivateKey):
        raise Unsigned(f"the key file {path} holds another kind of key than Ed25519")
    return private


class SigningKey:
    """The key file of a service, read when it is first needed and again after a rotation."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._private: Ed25519PrivateKey | None = None

    def signer(self, verifier: str) -> Signer:
        """Who signs for the log with this verifier key. Raises Unsigned where the file holds another key."""
        known = parse_key(verifier)
        if self._private is None or Signer(known.name, self._private).key != known:
            self._private = read_file(self.path)
        signer = Signer(known.name, self._private)
        if signer.key != known:
            raise Unsigned(_other_key(self.path, signer.key, known))
        return signer

    def check(self, tx: Connection) -> None:
        """Raises Unsigned unless the file holds the current key of every facility that has one."""
        for verifier in log.current_keys(tx).values():
            self.signer(verifier)


def _other_key(path: Path, found: VerifierKey, known: VerifierKey) -> str:
    told = f"the key file {path} is not the key of {known.name}: it has id {found.key_id.hex()}, not "
    told += known.key_id.hex()
    waiting = _waiting(path)
    if waiting.exists() and Signer(known.name, read_file(waiting)).key == known:
        told += "; a rotation was cut short: finish it with witnessmark key rotate"
    return told


def prepare(store: Store, path: Path) -> None:
    """See to it that there is a key file: made if no log has a key yet, checked if one has.

    Raises:
        Unsigned: it is missing although logs were signed, or is not their key, or cannot be made.
    """
    with store.reading() as tx:
        if log.current_keys(tx):
            SigningKey(path).check(tx)
        elif path.exists():
            read_file(path)
        else:
            make_file(path)


def enrol(store: Store, path: Path, facility: str, now: datetime) -> VerifierKey:
    """Let the key file sign a facility's log from now on, which had no key.

    Raises:
        Unknown: no such facility.
        Contradiction: its log has a key.
        Unsigned: the key file cannot be used.
    """
    prepare(store, path)
    private = read_file(path)
    with store.writing() as tx:
        head = stored.lock_head(tx, facility)
        if head is None:
            raise Unknown(f"no facility {facility!r} here", code="unknown_facility")
        if log.keys(tx, facility):
            raise Contradiction(f"the log of {facility} has a key: it can be rotated", code="has_key")
        key = Signer(facility_of(tx, facility).origin, private).key
        _add(tx, facility, key, 0, now)
    return key


def rotate(store: Store, path: Path, now: datetime) -> Path:
    """Sign with a new key from now on; gives the file in which the old one is kept.

    Raises:
        Unsigned: the key file is not the current key, or no log has a key.
    """
    waiting = _waiting(path)
    new = read_file(waiting) if waiting.exists() else make_file(waiting)
    with store.writing() as tx:
        current = log.current_keys(tx)
        if not current:
            raise Unsigned("no log has a key yet: witnessmark key make")
        if any(Signer(parse_key(line).name, new).key.line != line for line in current.values()):
            SigningKey(path).check(tx)
            for facility, line in current.items():
                _succeed(tx, facility, Signer(parse_key(line).name, new).key, now)
    old = path.with_name(f"{path.name}.until-{now:%Y%m%dT%H%M%S.%fZ}")
    if path.exists():  # else a rotation was cut short right here
        path.rename(old)
    waiting.rename(path)
    _settle(path.parent)
    return old


def _waiting(path: Path) -> Path:
    return path.with_name(path.name + ".new")


def _succeed(tx: Connection, facility: str, key: VerifierKey, now: datetime) -> None:
    """A key follows another; the head is locked so that no checkpoint of a smaller size is signed with it later."""
    head = stored.lock_head(tx, facility)
    log.retire_key(tx, facility, microseconds(now))
    _add(tx, facility, key, head.size if head else 0, now)


def _add(tx: Connection, facility: str, key: VerifierKey, since_size: int, now: datetime) -> None:
    row = {"facility": facility, "key_id": key.key_id.hex(), "verifier": key.line}
    log.add_key(tx, {**row, "since_size": since_size, "created_us": microseconds(now)})


def _settle(folder: Path) -> None:
    """A name in a folder outlives a power cut only when the folder was written too."""
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def keys_of(tx: Connection, facility: str) -> list[Row[Any]]:
    """Every key of a log, oldest first. Raises Unknown where it has none."""
    found = log.keys(tx, facility)
    if not found:
        raise Unknown(f"the log of {facility} is not signed yet: witnessmark key make", code="no_log_key")
    return found


def add_witness(store: Store, facility: str, line: str, now: datetime) -> VerifierKey:
    """Listen to a witness.

    Raises:
        Unknown: no such facility.
        Contradiction: it is no verifier key of a witness, or one with its id is listened to.
    """
    try:
        key = parse_key(line.strip())
    except NoteError as refusal:
        raise Contradiction(str(refusal), code=refusal.reason) from refusal
    if key.kind is not KeyKind.COSIGNATURE_V1:
        raise Contradiction("this is the key of a log, not of a witness", code="not_a_witness")
    with store.writing() as tx:
        if views.facility(tx, facility) is None:
            raise Unknown(f"no facility {facility!r} here", code="unknown_facility")
        known = [parse_key(one) for one in log.witness_keys(tx, facility)]
        if key.key_id in {one.key_id for one in known}:
            raise Contradiction(f"a witness with the id {key.key_id.hex()} is listened to", code="known_witness")
        row = {"facility": facility, "key_id": key.key_id.hex(), "verifier": key.line}
        log.add_witness(tx, {**row, "created_us": microseconds(now)})
    return key
