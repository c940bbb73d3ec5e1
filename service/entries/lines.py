"""A stream of bytes cut into lines, each an entry (NDJSON). No line is kept that is longer than an entry can be."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final, NamedTuple

from service.entries.envelope import MOST_ENTRY_BYTES, Draft, read_envelope
from service.entries.reading import read_json
from service.entries.refusals import Fault, NotAFact, Refusal, TooLarge, Unreadable

MOST_LINE_BYTES: Final = 6 * MOST_ENTRY_BYTES
"""An entry at its largest with every character written as an escape of six; the line's end is not counted."""
_WHITE: Final = b" \t\r"


class Line(NamedTuple):
    """A line by its number, counted from 1 as an editor does; ``text`` is None where it was too long to be kept."""

    number: int
    text: bytes | None


class Lines:
    """Cuts pieces, as they come off the wire, into lines. Lines with nothing on them are counted and passed over.

    A line ends with LF, or CR LF, or where the stream ends. No byte of UTF-8 but LF itself is LF, so cutting bytes cuts
    no character.
    """

    def __init__(self) -> None:
        self._number = 0
        self._begun: list[bytes] = []
        self._length = 0

    def cut(self, piece: bytes) -> Iterator[Line]:
        """The lines that end in this piece."""
        *whole, begun = piece.split(b"\n")
        for part in whole:
            self._add(part)
            yield from self._line()
        self._add(begun)

    def end(self) -> Iterator[Line]:
        """The last line, where the stream ends without a line's end. To be called only if the stream is complete."""
        yield from self._line()

    def _add(self, part: bytes) -> None:
        self._length += len(part)
        if self._length <= MOST_LINE_BYTES + 1:  # a CR may end it
            self._begun.append(part)
        else:
            self._begun.clear()

    def _line(self) -> Iterator[Line]:
        self._number += 1
        text = b"".join(self._begun).strip(_WHITE)
        too_long = self._length > MOST_LINE_BYTES + 1
        self._begun, self._length = [], 0
        if too_long or len(text) > MOST_LINE_BYTES:
            yield Line(self._number, None)
        elif text:
            yield Line(self._number, text)


def read_line(text: bytes | None) -> Draft | Refusal:
    """The entry on a line, or why it is none; faults point into the line."""
    if text is None:
        return _too_long()
    try:
        read = read_envelope(read_json(text))
    except Unreadable as why:
        return why
    if isinstance(read, Draft):
        return read
    return NotAFact(read[0].detail, read, code=read[0].code if len(read) == 1 else None)


def _too_long() -> TooLarge:
    detail = f"a line holds at most {MOST_LINE_BYTES} bytes"
    return TooLarge(detail, [Fault("", "too_large", detail)])
