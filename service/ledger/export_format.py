"""A whole ledger as one text file.

    witnessmark-export/1                                 the format
    facility skerrow                                     whose ledger
    key skerrow.example/regulators+1f0d8b5a+Abcd…        every verifier key the log has had, oldest first
    witness witness.example/north+530d903a+BEky…         those of the witnesses that cosigned
                                                         (an empty line)
    skerrow.example/regulators                           the checkpoint as the log signed it
    49
    5LblzUGBP3XxHQmVt1JPNSZkM1Xp3JsuCjMZzZYPxR8=

    — skerrow.example/regulators Hw2LWmUv…=
                                                         (an empty line)
    RbQe…= {"credential":"server","data":{"code":…       an entry: its leaf hash in base64, a space, its canonical bytes
    1Dss…=                                               an entry whose content is withheld: its leaf hash

UTF-8, every line ends in a line feed. The entries stand in the order of their ``seq``, as many as the checkpoint says;
anybody can check them with SHA-256 and RFC 9162. A reader refuses a version it does not know.
"""

from __future__ import annotations

import io
from collections.abc import Iterable
from dataclasses import dataclass
from typing import BinaryIO, Final

from service.merkle.key import NoteError, VerifierKey, parse_key
from service.merkle.note import MAX_SIZE
from service.merkle.spelling import base64_text

HEADING: Final = b"witnessmark-export/1"
HASH_LENGTH: Final = 44
"""Characters of a leaf hash in base64."""
MOST_LINE: Final = HASH_LENGTH + 1 + 65_535 + 1
_MOST_KEYS: Final = 1_000


class NotAnExportError(Exception):
    """What stands above the entries cannot be read; ``line`` is where."""

    def __init__(self, line: int, says: str) -> None:
        super().__init__(says)
        self.line = line


@dataclass(frozen=True, slots=True)
class Header:
    """What stands above the entries.

    Attributes:
        facility: code of the facility.
        keys: every verifier key the log has had, oldest first.
        witnesses: keys of the witnesses that cosigned.
        note: the signed checkpoint, verbatim.
        lines: how many lines all this takes.
        length: how many bytes.
    """

    facility: str
    keys: tuple[VerifierKey, ...]
    witnesses: tuple[VerifierKey, ...]
    note: bytes
    lines: int = 0
    length: int = 0


def write_header(facility: str, keys: Iterable[str], witnesses: Iterable[str], note: bytes) -> bytes:
    """What stands above the entries, from key lines and the signed checkpoint."""
    lines = [f"facility {facility}", *(f"key {key}" for key in keys), *(f"witness {key}" for key in witnesses)]
    return HEADING + b"\n" + "".join(f"{line}\n" for line in lines).encode() + b"\n" + note + b"\n"


def write_line(leaf: bytes, content: bytes | None) -> bytes:
    """One entry; None: its content is withheld."""
    stated = base64_text(leaf).encode()
    return stated + b"\n" if content is None else stated + b" " + content + b"\n"


class _Lines:
    """Lines read with their number."""

    def __init__(self, file: BinaryIO) -> None:
        self._file, self.number, self.length = file, 0, 0

    def next(self) -> str:
        self.number += 1
        line = self._file.readline(MAX_SIZE)
        self.length += len(line)
        if not line.endswith(b"\n"):
            raise NotAnExportError(self.number, "the file ends, or a line is too long, above the entries")
        try:
            return line[:-1].decode()
        except UnicodeDecodeError:
            raise NotAnExportError(self.number, "not UTF-8") from None


def read_header(file: BinaryIO) -> Header:
    """Read what stands above the entries; the file is left where they begin. Nothing is verified.

    Raises:
        NotAnExportError: it is not as above.
    """
    lines = _Lines(file)
    if lines.next() != HEADING.decode():
        raise NotAnExportError(1, f"the first line is not {HEADING.decode()}")
    word, _, facility = lines.next().partition(" ")
    if word != "facility" or not facility:
        raise NotAnExportError(lines.number, "no facility line where it belongs")
    keys, witnesses = _read_keys(lines)
    note = _read_note(lines)
    return Header(facility, tuple(keys), tuple(witnesses), note, lines.number, lines.length)


def _read_keys(lines: _Lines) -> tuple[list[VerifierKey], list[VerifierKey]]:
    keys: dict[str, list[VerifierKey]] = {"key": [], "witness": []}
    while line := lines.next():
        word, _, said = line.partition(" ")
        if word not in keys or (word == "key" and keys["witness"]) or sum(map(len, keys.values())) == _MOST_KEYS:
            raise NotAnExportError(lines.number, f"no key or witness line: {line[:80]!r}")
        try:
            keys[word].append(parse_key(said))
        except NoteError as refusal:
            raise NotAnExportError(lines.number, str(refusal)) from None
    return keys["key"], keys["witness"]


def _read_note(lines: _Lines) -> bytes:
    """Two blocks of lines, each up to an empty one: text and signatures."""
    note = io.StringIO()
    for end in ("\n", ""):
        while line := lines.next():
            note.write(f"{line}\n")
            if note.tell() > MAX_SIZE:
                raise NotAnExportError(lines.number, "the checkpoint does not end")
        note.write(end)
    return note.getvalue().encode()
