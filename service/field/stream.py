"""Entries sent by the line (NDJSON), any number of them, and what the service says of each, read by the line too.

Nothing is kept of what has gone through. The service answers when it has the last line: results come after that.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from service.field.receipt import Unreachable

MEDIA_TYPE = "application/x-ndjson"
Source = Path | Iterable[Mapping[str, Any] | bytes | str]
"""A file of lines, or entries, or lines, one after the other."""
_PIECE = 65_536


@dataclass(frozen=True, slots=True)
class LineResult:
    """What became of a line: its place in the ledger, or what is wrong with it, each fault with its pointer into it."""

    line: int
    status: int
    id: str = ""
    seq: int = 0
    replayed: bool = False
    errors: Sequence[Mapping[str, str]] = ()

    @property
    def taken(self) -> bool:
        """Is it recorded, now or before?"""
        return not self.errors


def can_be_sent_again(source: Source) -> bool:
    """Can it be read from its beginning once more? A file and a list can, what is used up by reading cannot."""
    return isinstance(source, Path) or iter(source) is not source


def pieces(source: Source, defaults: Mapping[str, Any]) -> Iterator[bytes]:
    """The body, a piece at a time; ``defaults`` fill in what an entry leaves out, and lines go as they are."""
    if isinstance(source, Path):
        with source.open("rb") as file:
            while piece := file.read(_PIECE):
                yield piece
        return
    waiting, size = list[bytes](), 0
    for one in source:
        waiting.append(_line(one, defaults))
        size += len(waiting[-1])
        if size >= _PIECE:
            yield b"".join(waiting)
            waiting, size = [], 0
    yield b"".join(waiting)


def _line(one: Mapping[str, Any] | bytes | str, defaults: Mapping[str, Any]) -> bytes:
    if isinstance(one, Mapping):
        return json.dumps({**defaults, **one}).encode() + b"\n"
    line = one.encode() if isinstance(one, str) else one
    return line.rstrip(b"\r\n") + b"\n"


def results(lines: Iterable[str], after: int = 0) -> Iterator[LineResult]:
    """What is said of each line after line ``after``.

    Raises:
        Unreachable: the answer has no end; what it does not say may be recorded or not.
    """
    for line in lines:
        told = json.loads(line)
        if told.get("done"):
            return
        if told["line"] > after:
            yield LineResult(**told)
    raise Unreachable("the answer broke off: send it all again, what is recorded is not recorded twice")
