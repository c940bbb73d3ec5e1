"""The log as strangers read it: checkpoint, keys, tiles, proofs. Each function answers from one state of the database.

A checkpoint is signed over a head that is committed, because no other can be read.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, NamedTuple

from sqlalchemy import Connection

from service.entries.refusals import Contradiction, Fault, NotAFact, Unknown
from service.entries.words import instant
from service.ledger.admit import SKEW
from service.ledger.entry import rfc3339
from service.ledger.keys import SigningKey, keys_of
from service.merkle.checkpoint import Checkpoint, CheckpointError, parse_checkpoint, verify_cosignatures
from service.merkle.key import NoteError, Signature, parse_key
from service.merkle.note import read_note, read_signatures, write_note
from service.merkle.proof_text import write_proof
from service.merkle.proofs import consistency_proof, inclusion_proof
from service.merkle.spelling import base64_text
from service.merkle.tile import FULL, Bundle, TileError, encode_bundle, parse_path
from service.merkle.tree import EMPTY_ROOT, Read
from service.store import entries as stored
from service.store import log
from service.store import tree as nodes


class Signed(NamedTuple):
    """A checkpoint as it is served."""

    checkpoint: Checkpoint
    note: bytes


def present(tx: Connection, facility: str) -> Checkpoint:
    """Where the log ends, not signed. Raises Unknown where it has no key to sign with."""
    origin = parse_key(_current(tx, facility)).name
    head = stored.read_head(tx, facility)
    return Checkpoint(origin, head.size, bytes(head.root)) if head else Checkpoint(origin, 0, EMPTY_ROOT)


def sign(tx: Connection, facility: str, here: Checkpoint, signing: SigningKey) -> Signed:
    """A checkpoint signed, with the cosignatures over it. Whether it may be signed is for ``SignedLogs`` to say.

    Raises:
        Unsigned: the key file is not the log's.
    """
    signer = signing.signer(_current(tx, facility))
    lines = log.cosignature_lines(tx, facility, here.size)
    cosigned = read_signatures("".join(f"{line}\n" for line in lines).encode()) if lines else ()
    return Signed(here, write_note(here.text, [signer.sign(here.text), *cosigned]))


def _current(tx: Connection, facility: str) -> str:
    return str(keys_of(tx, facility)[-1].verifier)


def _size(tx: Connection, facility: str) -> int:
    head = stored.read_head(tx, facility)
    return head.size if head else 0


def _nodes(tx: Connection, facility: str) -> Read:
    return lambda positions: nodes.read_nodes(tx, facility, positions)


def key_line(tx: Connection, facility: str) -> str:
    """The verifier key that the log signs with now, on one line. Raises Unknown where it has none."""
    return f"{_current(tx, facility)}\n"


def all_keys(tx: Connection, facility: str) -> list[dict[str, Any]]:
    """Every verifier key of the log, oldest first, with the sizes it signs. Raises Unknown where it has none."""
    return [
        {
            "key": row.verifier,
            "key_id": row.key_id,
            "since_size": row.since_size,
            "created_at": rfc3339(instant(row.created_us)),
            "retired_at": rfc3339(instant(row.retired_us)) if row.retired_us is not None else None,
        }
        for row in keys_of(tx, facility)
    ]


@dataclass(frozen=True, slots=True)
class Piece:
    """A tile or an entry bundle; a full one is never replaced by a wider one."""

    content: bytes
    full: bool


def piece(tx: Connection, facility: str, path: str) -> Piece:
    """The tile or bundle at a path such as ``0/x001/x234/067`` or ``entries/273.p/112``.

    Raises:
        Unknown: this is no such path, or the log is not as long.
    """
    try:
        named = parse_path(path)
    except TileError as refusal:
        raise Unknown(str(refusal), code=refusal.reason) from None
    if not named.fits(_size(tx, facility)):
        raise Unknown(f"the log is not long enough to have {path}", code="no_such_tile")
    if isinstance(named, Bundle):
        found = stored.page(tx, facility, named.leaves.start, named.width)
        return Piece(encode_bundle([body.encode() for _, body in found]), named.width == FULL)
    return Piece(b"".join(nodes.read_nodes(tx, facility, named.positions)), named.width == FULL)


def proof(tx: Connection, facility: str, seq: int, signed: Signed) -> bytes:
    """The file that proves one entry in a checkpoint. Raises Unknown where it has no such entry."""
    size = signed.checkpoint.size
    if not 0 < seq <= size:
        raise Unknown(f"the ledger has the entries 1 to {size}", code="unknown_entry")
    ((_, body),) = stored.page(tx, facility, seq - 1, 1)
    hashes = inclusion_proof(seq - 1, size, _nodes(tx, facility))
    return write_proof(body.encode(), seq - 1, hashes, signed.note)


def consistency(tx: Connection, facility: str, size1: int, size2: int) -> str:
    """The hashes of RFC 9162's consistency proof between two sizes, in base64, one to a line.

    Raises:
        Unknown: the log is not as long.
        NotAFact: the first size is the larger.
    """
    size = _size(tx, facility)
    if size1 > size2:
        raise NotAFact("a log does not shrink", [Fault("/query/from", "upside_down", "from is more than to")])
    if size2 > size:
        raise Unknown(f"the ledger has {size} entries", code="unknown_size")
    return "".join(f"{base64_text(node)}\n" for node in consistency_proof(size1, size2, _nodes(tx, facility)))


def cosign(tx: Connection, facility: str, sent: bytes, now: datetime) -> None:
    """Take a witness's signature over the present checkpoint: its line, or the whole note with it.

    Raises:
        NotAFact: it is no such thing, over another root, of a time to come, or by nobody who is listened to here.
        Contradiction: it is over another size than the log has now.
        Unknown: the log has no key.
    """
    here = present(tx, facility)
    text, lines = _cosigned(sent, here)
    witnesses = [parse_key(line) for line in log.witness_keys(tx, facility)]
    try:
        verified = verify_cosignatures(lines, text, witnesses)
    except NoteError as refusal:
        raise _not_taken(str(refusal), refusal.reason) from None
    if any(one.at is not None and one.at > (now + SKEW).timestamp() for one in verified):
        raise _not_taken(f"it is {now:%Y-%m-%dT%H:%M:%SZ} here: not yet", "in_the_future")
    for one in verified:
        log.put_cosignature(tx, facility, here.size, one.key.key_id.hex(), one.signature.line)


def _cosigned(sent: bytes, here: Checkpoint) -> tuple[str, bytes]:
    """The text that was signed, and the signature lines."""
    try:
        if b"\n\n" not in sent:
            read_signatures(sent)
            return here.text, sent
        note = read_note(sent)
        told = parse_checkpoint(note.text)
    except (NoteError, CheckpointError) as refusal:
        raise _not_taken(str(refusal), refusal.reason) from None
    if told.origin != here.origin:
        raise _not_taken(f"this is a checkpoint of {told.origin}, not of {here.origin}", "wrong_origin")
    if told.size != here.size:
        raise Contradiction(f"the log has {here.size} entries now, this is about {told.size}", code="stale_size")
    if told.root != here.root or note.text != here.text:
        raise _not_taken(f"the log of {told.size} entries has another root", "wrong_root")
    return note.text, _lines(note.signatures)


def _lines(signatures: Sequence[Signature]) -> bytes:
    return "".join(f"{one.line}\n" for one in signatures).encode()


def _not_taken(detail: str, code: str) -> NotAFact:
    return NotAFact(detail, [Fault("", code, detail)], code=code)
