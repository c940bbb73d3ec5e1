"""Who signs the log: key names, verifier keys and Ed25519 signatures, by the log itself or by a witness.

A *verifier key* is one line that a stranger is given once, over a channel they trust, and verifies with ever after:

    skerrow.example/regulators+1f0d8b5a+AbcdEFgh…=
    name                       id       base64(kind ‖ public key)

The *key id* is the beginning of a hash over name, kind and public key. It picks the key to try; it proves nothing.

Source: C2SP signed-note (kind 0x01) and C2SP tlog-cosignature (kind 0x04).
"""

import hashlib
from dataclasses import dataclass, field
from enum import IntEnum
from typing import ClassVar, Final, Literal, NamedTuple, Self, TypeAlias

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from service.merkle.spelling import MAX_NUMBER, base64_bytes, base64_text, has_control

Reason: TypeAlias = Literal[
    "malformed_name",
    "malformed_key",
    "unknown_kind",
    "key_id_mismatch",
    "malformed_text",
    "malformed_note",
    "malformed_signature",
    "too_large",
    "too_many_signatures",
    "wrong_signature",
    "no_known_signature",
]

PUBLIC_KEY_SIZE: Final = 32
KEY_ID_SIZE: Final = 4
_TIME_SIZE: Final = 8


class NoteError(Exception):
    """A key line, a signature or a signed note is not what it claims to be.

    Attributes:
        reason: `malformed_name` (empty, or with a space, a plus or a control character), `malformed_key` (no key line),
            `unknown_kind` (a kind of key we do not verify), `key_id_mismatch` (name, id and public key do not belong
            together), `malformed_text` (no note can hold it), `malformed_note` (not text, blank line, signatures),
            `malformed_signature` (a line that is none), `too_large`, `too_many_signatures`, `wrong_signature` (a known
            key did not sign this text), `no_known_signature` (nobody we know signed it).
    """

    def __init__(self, reason: Reason, says: str) -> None:
        super().__init__(says)
        self.reason: Reason = reason


class KeyKind(IntEnum):
    """What a key signs, by the byte that the standard gives it."""

    ED25519 = 0x01
    """The text of the note: how a log signs."""

    COSIGNATURE_V1 = 0x04
    """The time and the text of a checkpoint: how a witness says that it saw this, then."""


class Signature(NamedTuple):
    """One signature line of a note, not verified.

    Attributes:
        name: of the key.
        key_id: of the key, four bytes.
        body: what comes after the key id, as its kind demands.
    """

    name: str
    key_id: bytes
    body: bytes

    @property
    def line(self) -> str:
        """As it stands in the note, without the newline."""
        return f"— {self.name} {base64_text(self.key_id + self.body)}"


@dataclass(frozen=True, slots=True)
class VerifierKey:
    """A public key with the name it signs under.

    Raises:
        NoteError: `malformed_name`, or `malformed_key` when the public key has not 32 bytes.
    """

    name: str
    kind: KeyKind
    public: bytes

    def __post_init__(self) -> None:
        refuse_name(self.name)
        if len(self.public) != PUBLIC_KEY_SIZE:
            raise NoteError("malformed_key", f"a public key has {PUBLIC_KEY_SIZE} bytes, not {len(self.public)}")

    @property
    def key_id(self) -> bytes:
        """SHA-256(name ‖ 0x0A ‖ kind ‖ public key), its first four bytes."""
        return hashlib.sha256(self.name.encode() + b"\n" + self._typed).digest()[:KEY_ID_SIZE]

    @property
    def line(self) -> str:
        """The verifier key as it is handed out, without a newline."""
        return f"{self.name}+{self.key_id.hex()}+{base64_text(self._typed)}"

    @property
    def _typed(self) -> bytes:
        return bytes([self.kind]) + self.public

    def verify(self, signature: Signature, text: str) -> int | None:
        """Check that this key made the signature over the text.

        Returns:
            For a cosignature the time it states, in seconds of POSIX; whether that is believable is for the caller, who
            has a clock. None for a log's own signature, which states none.

        Raises:
            NoteError: `wrong_signature`.
        """
        at, message, ed25519 = self._signed(signature.body, text)
        try:
            Ed25519PublicKey.from_public_bytes(self.public).verify(ed25519, message)
        except InvalidSignature:
            raise self._refusal() from None
        return at

    def _signed(self, body: bytes, text: str) -> tuple[int | None, bytes, bytes]:
        """Of a signature's body: the time, what was signed, and the Ed25519 signature in it."""
        if self.kind is KeyKind.ED25519:
            return None, text.encode(), body
        at = int.from_bytes(body[:_TIME_SIZE], "big")
        if at > MAX_NUMBER:
            raise self._refusal()
        return at, _cosigned(text, at), body[_TIME_SIZE:]

    def _refusal(self) -> NoteError:
        return NoteError("wrong_signature", f"not a signature of {self.name} (key {self.key_id.hex()}) over this text")


def parse_key(line: str) -> VerifierKey:
    """Read a verifier key line, without a newline.

    Raises:
        NoteError: `malformed_key`, `malformed_name`, `unknown_kind`, `key_id_mismatch`.
    """
    try:
        name, key_id, encoded = line.split("+", 2)  # a name has no plus; base64 may have some
        kind, *public = base64_bytes(encoded)
    except ValueError:
        raise NoteError("malformed_key", "a verifier key is name+id+base64") from None
    if kind not in list(KeyKind):
        raise NoteError("unknown_kind", f"a key of kind {kind:#04x} is not verified here")
    key = VerifierKey(name, KeyKind(kind), bytes(public))
    if key_id != key.key_id.hex():
        raise NoteError("key_id_mismatch", f"{name} with this public key has id {key.key_id.hex()}, not {key_id[:16]}")
    return key


@dataclass(frozen=True, slots=True)
class _PrivateKey:
    """A private key with the name it signs under. What is printed of it does not show it."""

    name: str
    private: Ed25519PrivateKey = field(repr=False)
    kind: ClassVar[KeyKind]

    def __post_init__(self) -> None:
        refuse_name(self.name)

    @classmethod
    def from_seed(cls, name: str, seed: bytes) -> Self:
        """From the 32 bytes that RFC 8032 calls the private key; ValueError when they are not 32."""
        return cls(name, Ed25519PrivateKey.from_private_bytes(seed))

    @property
    def key(self) -> VerifierKey:
        """What others verify with."""
        return VerifierKey(self.name, self.kind, self.private.public_key().public_bytes_raw())


class Signer(_PrivateKey):
    """The key of a log. Its name is the origin of the log."""

    __slots__ = ()
    kind = KeyKind.ED25519

    def sign(self, text: str) -> Signature:
        """Sign the text of a note. Precondition: `text` is one, see `note.sign_note`."""
        return Signature(self.name, self.key.key_id, self.private.sign(text.encode()))


class Witness(_PrivateKey):
    """The key of a witness. It must be nobody else's, no log's and no other witness's: what it signs does not say whose
    it is.
    """

    __slots__ = ()
    kind = KeyKind.COSIGNATURE_V1

    def cosign(self, text: str, at: int) -> Signature:
        """State that `text`, a checkpoint's, was the largest consistent one seen at `at`, in seconds of POSIX.

        Raises:
            ValueError: a time before 1970 or past 2⁶³ - 1.
        """
        if not 0 <= at <= MAX_NUMBER:
            raise ValueError(f"no time {at}")
        body = at.to_bytes(_TIME_SIZE, "big") + self.private.sign(_cosigned(text, at))
        return Signature(self.name, self.key.key_id, body)


def _cosigned(text: str, at: int) -> bytes:
    """What a witness signs. The first line keeps it from passing for the text of a note."""
    return f"cosignature/v1\ntime {at}\n{text}".encode()


def refuse_name(name: str) -> None:
    """Names stand between spaces in a note and before a plus in a key line: neither may be part of one.

    Raises:
        NoteError: `malformed_name`.
    """
    if not name:
        raise NoteError("malformed_name", "a key has a name")
    if "+" in name or has_control(name) or any(character.isspace() for character in name):
        raise NoteError("malformed_name", f"a key's name has no space, plus or control character: {name[:80]!r}")
    if any("\ud800" <= character <= "\udfff" for character in name):
        raise NoteError("malformed_name", "a key's name is Unicode text")
