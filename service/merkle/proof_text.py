"""One file that proves one entry, for whoever has the log's verifier key and nothing else.

    c2sp.org/tlog-proof@v1
    extra eyJ0eXBlIjoidG9ycXVlLmFwcGxpZWQi…       the entry's canonical bytes, in base64
    index 3                                       where it stands in the log, from 0
    1Dss9GjR…=                                    its inclusion proof, a hash to a line, from the leaf upwards
    AK+IbE5a…=

    skerrow.example/regulators                    the checkpoint as the log signed it, to the last byte
    4
    …

The entry travels in the line the format leaves to applications. That line is not to be trusted as such: what makes the
entry true is that its hash, computed here, leads by the proof to the root that the log signed.

Source: C2SP tlog-proof.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

from service.merkle.checkpoint import CheckpointError, SignedCheckpoint, open_checkpoint
from service.merkle.key import NoteError, VerifierKey
from service.merkle.note import MAX_SIZE as MAX_NOTE_SIZE
from service.merkle.proofs import ProofError, verify_inclusion
from service.merkle.spelling import base64_bytes, base64_text, whole_number
from service.merkle.tile import MAX_ENTRY_SIZE
from service.merkle.tree import HASH_SIZE, leaf_hash

HEADING: Final = "c2sp.org/tlog-proof@v1"

MAX_HASHES: Final = 63
"""No tree with less than 2⁶³ leaves is higher."""

MAX_SIZE: Final = MAX_NOTE_SIZE + 2 * MAX_ENTRY_SIZE
"""In bytes: base64 makes an entry a third longer, and the hashes take less than what that leaves."""

Step: TypeAlias = Literal["format", "entry", "signature", "checkpoint", "inclusion"]


class ProofTextError(Exception):
    """A proof file does not prove its entry.

    Attributes:
        step: the first that failed: `format` (it is no such file), `entry` (it carries none, so there is nothing to
            prove), `signature` (nobody known signed its checkpoint, or not this one), `checkpoint` (what was signed is
            no checkpoint of the log it names), `inclusion` (the entry is not where the proof says it is).
        reason: what that step has to say, as in `NoteError`, `CheckpointError` and `ProofError`; else the step again.
    """

    def __init__(self, step: Step, says: str, reason: str | None = None) -> None:
        super().__init__(says)
        self.step: Step = step
        self.reason = reason or step


@dataclass(frozen=True, slots=True)
class ProofText:
    """A proof file taken apart, nothing verified.

    Attributes:
        entry: the bytes in the `extra` line, None without one.
        index: of the entry.
        hashes: of the inclusion proof.
        checkpoint: the signed checkpoint, verbatim.
    """

    entry: bytes | None
    index: int
    hashes: tuple[bytes, ...]
    checkpoint: bytes


@dataclass(frozen=True, slots=True)
class Proven:
    """What a proof file proves: this entry has that index in the log at this signed checkpoint."""

    entry: bytes
    index: int
    signed: SignedCheckpoint


def write_proof(entry: bytes, index: int, hashes: Sequence[bytes], checkpoint: bytes) -> bytes:
    """The proof file of one entry.

    Args:
        entry: its canonical bytes.
        index: in the log, from 0: one less than its `seq`.
        hashes: its inclusion proof in the tree of the checkpoint.
        checkpoint: the signed note as it is served.

    Raises:
        ValueError: what `parse_proof` would refuse.
    """
    lines = [HEADING, f"extra {base64_text(entry)}", f"index {index}", *map(base64_text, hashes)]
    data = ("\n".join(lines) + "\n\n").encode("ascii") + checkpoint
    try:
        parse_proof(data)
    except ProofTextError as refusal:
        raise ValueError(str(refusal)) from refusal
    return data


def parse_proof(data: bytes) -> ProofText:
    """Take a proof file apart without verifying it.

    Raises:
        ProofTextError: step `format`.
    """
    if len(data) > MAX_SIZE:
        raise ProofTextError("format", f"a proof has at most {MAX_SIZE} bytes, not {len(data)}")
    above, blank, checkpoint = data.partition(b"\n\n")
    if not blank or not above.isascii():
        raise ProofTextError("format", "no blank line between proof and checkpoint")
    heading, *lines = above.decode("ascii").split("\n")
    if heading != HEADING:
        raise ProofTextError("format", f"the first line is not {HEADING}")
    entry = None
    if lines and lines[0].startswith("extra "):
        entry = _base64(lines.pop(0).removeprefix("extra "))
        if not 0 < len(entry) <= MAX_ENTRY_SIZE:
            raise ProofTextError("format", f"an entry has 1 to {MAX_ENTRY_SIZE} bytes, not {len(entry)}")
    return ProofText(entry, _index(lines[:1]), _hashes(lines[1:]), checkpoint)


def verify_proof(data: bytes, known: Iterable[VerifierKey]) -> Proven:
    """Verify a proof file: the entry's hash, the signatures under the checkpoint, the path from one to the other.

    Args:
        data: the file.
        known: the keys one knows: those of the log, old ones among them, and of witnesses. How many witnesses are
            enough is for the caller, who finds in the answer which of the known ones cosigned, and when.

    Raises:
        ProofTextError: the step that failed, and why.
        ValueError: as `note.verify_signatures`.
    """
    proof = parse_proof(data)
    if proof.entry is None:
        raise ProofTextError("entry", "the proof does not carry the entry")
    leaf = leaf_hash(proof.entry)
    try:
        signed = open_checkpoint(proof.checkpoint, known)
        size, root = signed.checkpoint.size, signed.checkpoint.root
        verify_inclusion(leaf, proof.index, size, proof.hashes, root)
    except NoteError as refusal:
        raise ProofTextError("signature", str(refusal), refusal.reason) from refusal
    except CheckpointError as refusal:
        raise ProofTextError("checkpoint", str(refusal), refusal.reason) from refusal
    except ProofError as refusal:
        raise ProofTextError("inclusion", str(refusal), refusal.reason) from refusal
    return Proven(proof.entry, proof.index, signed)


def _index(lines: Sequence[str]) -> int:
    word, _, number = lines[0].partition(" ") if lines else ("", "", "")
    if word != "index":
        raise ProofTextError("format", "no index line where it belongs")
    try:
        return whole_number(number)
    except ValueError as refusal:
        raise ProofTextError("format", str(refusal)) from None


def _hashes(lines: Sequence[str]) -> tuple[bytes, ...]:
    if len(lines) > MAX_HASHES:
        raise ProofTextError("format", f"an inclusion proof has at most {MAX_HASHES} hashes")
    hashes = tuple(map(_base64, lines))
    if any(len(node) != HASH_SIZE for node in hashes):
        raise ProofTextError("format", f"a hash has {HASH_SIZE} bytes")
    return hashes


def _base64(text: str) -> bytes:
    try:
        return base64_bytes(text)
    except ValueError:
        raise ProofTextError("format", f"not base64: {text[:80]!r}") from None
