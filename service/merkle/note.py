"""Signed notes: a text, a blank line, and one signature line for each key that signed it.

    skerrow.example/regulators
    4
    5LblzUGBP3XxHQmVt1JPNSZkM1Xp3JsuCjMZzZYPxR8=

    — skerrow.example/regulators Hw2LWmUv…=

Whoever reads one knows some keys. A signature by a key they do not know is passed over, so that a log can change its
key and witnesses can add theirs. A signature by a key they do know has to hold, or the whole note is refused. And one
at least has to be by a key they know. Only then is the text looked at.

Source: C2SP signed-note.
"""

from collections.abc import Iterable, Sequence
from typing import Final, NamedTuple

from service.merkle.key import KEY_ID_SIZE, NoteError, Signature, Signer, VerifierKey, refuse_name
from service.merkle.spelling import base64_bytes, has_control

MAX_SIGNATURES: Final = 64
"""Readers must take sixteen; a log with more witnesses than sixty keeps the rest to itself."""

MAX_SIZE: Final = 512 * 1024
"""In bytes: sixty-four signatures of the longest kind there is, about 5 kB, and the text with room to spare."""


class Note(NamedTuple):
    """A note taken apart, nothing verified: its text, which ends in a newline, and its signature lines in order."""

    text: str
    signatures: tuple[Signature, ...]


class Verified(NamedTuple):
    """A signature that holds: by which key, and for a cosignature the time it states."""

    key: VerifierKey
    at: int | None
    signature: Signature


class Opened(NamedTuple):
    """A note that a known key signed.

    Attributes:
        text: what was signed.
        verified: every signature by a known key, at least one.
        unknown: the others, which say nothing.
    """

    text: str
    verified: tuple[Verified, ...]
    unknown: tuple[Signature, ...]


def sign_note(text: str, *signers: Signer) -> bytes:
    """Sign a text with one key or several (while a log changes its key).

    Raises:
        NoteError: as `write_note`.
    """
    return write_note(text, [signer.sign(text) for signer in signers])


def write_note(text: str, signatures: Sequence[Signature]) -> bytes:
    """Put a note together, such as one signed already with cosignatures that came later.

    Raises:
        NoteError: `malformed_text` (no newline at its end, a control character, not Unicode), or what `read_note`
            would refuse: no signature, too many, too large.
    """
    if not text.endswith("\n") or has_control(text):
        raise NoteError("malformed_text", "a note's text ends in a newline and has no other control character")
    try:
        data = "\n".join([text, *(signature.line for signature in signatures), ""]).encode()
    except UnicodeEncodeError:
        raise NoteError("malformed_text", "a note's text is Unicode") from None
    read_note(data)
    return data


def read_note(data: bytes) -> Note:
    """Take a note apart without verifying it: the text is not to be believed.

    Raises:
        NoteError: `too_large`, `malformed_note`, `malformed_name`, `malformed_signature`, `too_many_signatures`.
    """
    note = _decode(data)
    blank = note.rfind("\n\n")
    if blank < 0:
        raise NoteError("malformed_note", "no blank line between text and signatures")
    return Note(note[: blank + 1], _read_lines(note[blank + 2 :]))


def read_signatures(data: bytes) -> tuple[Signature, ...]:
    """Read signature lines that come alone, as a witness sends them.

    Raises:
        NoteError: as `read_note`.
    """
    return _read_lines(_decode(data))


def open_note(data: bytes, known: Iterable[VerifierKey]) -> Opened:
    """Verify a note against the keys one knows.

    Raises:
        NoteError: as `read_note`; `wrong_signature`; `no_known_signature`.
        ValueError: as `verify_signatures`.
    """
    note = read_note(data)
    verified, unknown = verify_signatures(note.text, note.signatures, known)
    if not verified:
        names = ", ".join(sorted({signature.name for signature in unknown}))
        raise NoteError("no_known_signature", f"signed by none of the known keys, only by {names}")
    return Opened(note.text, verified, unknown)


def verify_signatures(
    text: str, signatures: Iterable[Signature], known: Iterable[VerifierKey]
) -> tuple[tuple[Verified, ...], tuple[Signature, ...]]:
    """Sort signatures into those that known keys made over the text and those by others. Repeated ones count once.

    A key is known by name and key id together: one that shares only one of them is another key.

    Raises:
        NoteError: `wrong_signature`: one by a known key does not hold.
        ValueError: two known keys have name and id in common. Somebody made one of them on purpose.
    """
    keys = _by_name_and_id(known)
    verified, unknown = [], []
    for signature in dict.fromkeys(signatures):
        key = keys.get((signature.name, signature.key_id))
        if key is None:
            unknown.append(signature)
        else:
            verified.append(Verified(key, key.verify(signature, text), signature))
    return tuple(verified), tuple(unknown)


def _by_name_and_id(known: Iterable[VerifierKey]) -> dict[tuple[str, bytes], VerifierKey]:
    keys: dict[tuple[str, bytes], VerifierKey] = {}
    for key in known:
        if keys.setdefault((key.name, key.key_id), key) != key:
            raise ValueError(f"two different keys {key.name} with id {key.key_id.hex()}")
    return keys


def _decode(data: bytes) -> str:
    if len(data) > MAX_SIZE:
        raise NoteError("too_large", f"a note has at most {MAX_SIZE} bytes, not {len(data)}")
    try:
        note = data.decode("utf-8")
    except UnicodeDecodeError:
        raise NoteError("malformed_note", "not UTF-8") from None
    if has_control(note):
        raise NoteError("malformed_note", "a control character")
    return note


def _read_lines(lines: str) -> tuple[Signature, ...]:
    if not lines.endswith("\n"):
        raise NoteError("malformed_note", "no signature line at the end, or one without its newline")
    if lines.count("\n") > MAX_SIGNATURES:
        raise NoteError("too_many_signatures", f"more than {MAX_SIGNATURES} signatures")
    return tuple(_read_line(line) for line in lines[:-1].split("\n"))


def _read_line(line: str) -> Signature:
    try:
        dash, name, encoded = line.split(" ")
        signature = base64_bytes(encoded)
    except ValueError:
        raise NoteError("malformed_signature", f"not a signature line: {line[:80]!r}") from None
    if dash != "—" or len(signature) <= KEY_ID_SIZE:
        raise NoteError("malformed_signature", f"not a signature line: {line[:80]!r}")
    refuse_name(name)
    return Signature(name, signature[:KEY_ID_SIZE], signature[KEY_ID_SIZE:])
