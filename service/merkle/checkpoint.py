"""Checkpoints: how the log says, signed, that it has so many entries and that root.

    skerrow.example/regulators                        origin: which log
    4                                                 size
    5LblzUGBP3XxHQmVt1JPNSZkM1Xp3JsuCjMZzZYPxR8=      root of the tree of that size

A log signs no two checkpoints that contradict each other; that is what makes them evidence. Ours signs under its
origin, so a checkpoint counts only when a key of that name signed it: no facility's key can speak for another.

Source: C2SP tlog-checkpoint, tlog-cosignature.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal, NamedTuple, TypeAlias

from service.merkle.key import KeyKind, NoteError, VerifierKey
from service.merkle.note import Verified, open_note, read_signatures, verify_signatures
from service.merkle.spelling import MAX_NUMBER, base64_bytes, base64_text, has_control, whole_number
from service.merkle.tree import EMPTY_ROOT, HASH_SIZE

CheckpointReason: TypeAlias = Literal[
    "malformed_lines", "malformed_origin", "malformed_size", "malformed_root", "wrong_origin"
]


class CheckpointError(Exception):
    """A text, signed or not, is no checkpoint of the log.

    Attributes:
        reason: `malformed_lines` (fewer than three, an empty one, no newline at the end), `malformed_origin`,
            `malformed_size`, `malformed_root`, `wrong_origin` (signed, but not by the log it speaks of).
    """

    def __init__(self, reason: CheckpointReason, says: str) -> None:
        super().__init__(says)
        self.reason: CheckpointReason = reason


@dataclass(frozen=True, slots=True)
class Checkpoint:
    """The state of one log at one size.

    Raises:
        CheckpointError: what no log can have, such as a root for the empty tree that is not the empty tree's.
    """

    origin: str
    size: int
    root: bytes

    def __post_init__(self) -> None:
        if not self.origin or "\n" in self.origin or has_control(self.origin):
            raise CheckpointError("malformed_origin", f"no origin: {self.origin[:80]!r}")
        if not 0 <= self.size <= MAX_NUMBER:
            raise CheckpointError("malformed_size", f"no size: {self.size}")
        if len(self.root) != HASH_SIZE:
            raise CheckpointError("malformed_root", f"a root has {HASH_SIZE} bytes, not {len(self.root)}")
        if self.size == 0 and self.root != EMPTY_ROOT:
            raise CheckpointError("malformed_root", f"{self.root.hex()} is not the root of the empty tree")

    @property
    def text(self) -> str:
        """What the log signs: three lines, each ending in a newline."""
        return f"{self.origin}\n{self.size}\n{base64_text(self.root)}\n"


class SignedCheckpoint(NamedTuple):
    """A checkpoint that its log signed.

    Attributes:
        checkpoint: what the log says.
        text: as it was signed, with extension lines if there were any.
        cosigned: what the known witnesses among its signers say, with the time of each.
    """

    checkpoint: Checkpoint
    text: str
    cosigned: tuple[Verified, ...]


def parse_checkpoint(text: str) -> Checkpoint:
    """Read the text of a checkpoint. Lines after the third are passed over: nobody can audit what they say.

    Raises:
        CheckpointError: any reason but `wrong_origin`.
    """
    *lines, end = text.split("\n")
    if end or len(lines) < 3 or not all(lines):
        raise CheckpointError("malformed_lines", "a checkpoint is three lines or more, none of them empty")
    origin, size, root = lines[:3]
    return Checkpoint(origin, _size(size), _root(root))


def open_checkpoint(data: bytes, known: Iterable[VerifierKey]) -> SignedCheckpoint:
    """Verify a signed checkpoint against the keys one knows: those of the log, old ones among them, and of witnesses.

    Raises:
        NoteError: as `note.open_note`.
        CheckpointError: a known key signed what is no checkpoint, or no known key of the log it speaks of signed it.
    """
    opened = open_note(data, known)
    checkpoint = parse_checkpoint(opened.text)
    signers = [verified.key for verified in opened.verified if verified.key.kind is KeyKind.ED25519]
    if checkpoint.origin not in [key.name for key in signers]:
        raise CheckpointError("wrong_origin", f"no known key of {checkpoint.origin} signed this")
    cosigned = tuple(verified for verified in opened.verified if verified.key.kind is KeyKind.COSIGNATURE_V1)
    return SignedCheckpoint(checkpoint, opened.text, cosigned)


def verify_cosignatures(data: bytes, text: str, witnesses: Iterable[VerifierKey]) -> tuple[Verified, ...]:
    """Verify the signature lines a witness sent for a checkpoint. Keys that are no witness's are not considered.

    Args:
        data: one or more signature lines.
        text: of the checkpoint, as the log signed it.
        witnesses: the keys of those that are listened to.

    Raises:
        NoteError: as `note.read_signatures`; `wrong_signature`; `no_known_signature`.
    """
    known = [key for key in witnesses if key.kind is KeyKind.COSIGNATURE_V1]
    verified, _ = verify_signatures(text, read_signatures(data), known)
    if not verified:
        raise NoteError("no_known_signature", "a cosignature of none of the known witnesses")
    return verified


def _size(line: str) -> int:
    try:
        return whole_number(line)
    except ValueError as refusal:
        raise CheckpointError("malformed_size", str(refusal)) from None


def _root(line: str) -> bytes:
    try:
        return base64_bytes(line)
    except ValueError:
        raise CheckpointError("malformed_root", f"not base64: {line[:80]!r}") from None
