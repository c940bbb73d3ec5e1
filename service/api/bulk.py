"""Entries by the line (NDJSON): a body of any length, committed in chunks while it comes in, answered at its end.

What is kept in memory is one chunk; results wait in a temporary file, because an answer that streams while the body
still streams in loses lines. Until the body has ended nothing is answered: whoever sees no whole answer, with ``done``
as its last line, counts every line as not taken and sends all of it again. What was recorded answers as before.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator
from dataclasses import dataclass
from tempfile import SpooledTemporaryFile
from typing import IO

import orjson
from fastapi import Request
from starlette.types import Message

from service.access.tokens import Caller
from service.api.callers import let_in
from service.api.document import LINES
from service.api.problems import status_of
from service.api.spooled import Spooled
from service.entries.envelope import Draft
from service.entries.lines import Line, Lines, read_line
from service.entries.refusals import Busy, Fault, Refusal, Unfinished
from service.ledger.importing import Import
from service.ledger.ledger import Ledger
from service.ledger.receipt import Accepted

_IN_MEMORY = 1_000_000
"""Bytes of results that are kept before they go to disk."""
_AT_ONCE = 50
"""Lines read before others get their turn on the event loop."""
_LOOK_UP = 1.0
"""Seconds after which a silent line is looked at again."""


@dataclass(frozen=True, slots=True)
class Bounds:
    """How an import is cut into transactions, and how long it may be silent.

    A chunk grows and shrinks so that a transaction takes about ``aim`` seconds: others wait no longer than that.
    """

    fewest: int = 200
    most: int = 300
    most_bytes: int = 2_000_000
    aim: float = 0.25
    silence: float = 60.0


async def record_lines(request: Request, ledger: Ledger, who: Caller) -> Spooled:
    """Take a body of lines from this caller.

    Raises:
        Unfinished: the body stopped coming, or the caller is gone.
        Busy: the service stops, or the ledger cannot be written.
        Unproven: the token was revoked meanwhile.
    """
    bounds: Bounds = request.app.state.bulk
    with ledger.importing(who.facility) as taking:
        lines, results = Lines(), _Results()
        try:
            chunk = _Chunk(request, taking, results, bounds)
            async for piece in _pieces(request, bounds, results):
                for line in lines.cut(piece):
                    await chunk.take(line)
            for line in lines.end():
                await chunk.take(line)
            await chunk.record()
            return results.answer()
        except BaseException:
            results.file.close()
            raise


async def _pieces(request: Request, bounds: Bounds, results: _Results) -> AsyncIterator[bytes]:
    """The body as it comes in; the next piece is asked for when this one was worked through."""
    more = True
    while more:
        message = await _message(request, bounds, results)
        if message["type"] == "http.disconnect":
            raise Unfinished(f"the caller is gone; {results.so_far}")
        more = message.get("more_body", False)
        if body := message.get("body"):
            yield body


async def _message(request: Request, bounds: Bounds, results: _Results) -> Message:
    """What comes next; waited for as long as the caller may be silent, and not while the service stops."""
    waiting, silent = asyncio.ensure_future(request.receive()), 0.0
    look_up = min(_LOOK_UP, bounds.silence)
    try:
        while not (await asyncio.wait([waiting], timeout=look_up))[0]:
            silent += look_up
            _go_on(request, results)
            if silent >= bounds.silence:
                raise Unfinished(f"nothing came for {bounds.silence:g} s; {results.so_far}")
        return waiting.result()
    finally:
        waiting.cancel()


def _go_on(request: Request, results: _Results) -> None:
    """Raises Busy where the service has been told to stop: an import has no end that could be waited for."""
    if request.app.state.stopping.is_set():
        raise Busy(f"the service stops; {results.so_far}", 5)


class _Results:
    """One line for each line read, in order, on their way to the answer."""

    def __init__(self) -> None:
        self.file: IO[bytes] = SpooledTemporaryFile(_IN_MEMORY)  # noqa: SIM115 - the answer closes it
        self.accepted = self.refused = self.last = 0

    @property
    def so_far(self) -> str:
        """For whoever is told that it did not come to its end."""
        return f"what stands up to line {self.last} is recorded or refused: send it all again"

    def add(self, number: int, outcome: Accepted | Refusal) -> None:
        """What became of a line."""
        self.last = number
        if isinstance(outcome, Refusal):
            self.refused += 1
            shown = [fault.shown() for fault in outcome.faults or [Fault("", outcome.code, outcome.detail)]]
            self._write({"line": number, "status": status_of(outcome), "errors": shown})
        else:
            self.accepted += 1
            status = 200 if outcome.replayed else 201
            told = {"id": outcome.id, "seq": outcome.seq, "replayed": outcome.replayed}
            self._write({"line": number, "status": status, **told})

    def answer(self) -> Spooled:
        """All of it; to be called once."""
        read = self.accepted + self.refused
        self._write({"done": True, "read": read, "accepted": self.accepted, "refused": self.refused})
        return Spooled(self.file, LINES)

    def _write(self, told: dict[str, object]) -> None:
        self.file.write(orjson.dumps(told, option=orjson.OPT_APPEND_NEWLINE))


class _Chunk:
    """Lines read and not yet recorded."""

    def __init__(self, request: Request, taking: Import, results: _Results, bounds: Bounds) -> None:
        self._request, self._taking, self._results, self._bounds = request, taking, results, bounds
        self._size = bounds.fewest
        self._clear()

    def _clear(self) -> None:
        self._read: list[tuple[int, Draft | Refusal]] = []
        self._bytes = 0

    async def take(self, line: Line) -> None:
        """Read a line; where the chunk is full, record it."""
        self._read.append((line.number, read_line(line.text)))
        self._bytes += len(line.text or b"")
        if len(self._read) >= self._size or self._bytes >= self._bounds.most_bytes:
            await self.record()
        elif not len(self._read) % _AT_ONCE:
            await asyncio.sleep(0)

    async def record(self) -> None:
        """Record what was read, as whoever the caller is now: a token may be revoked while an import goes on."""
        _go_on(self._request, self._results)
        who = await let_in(self._request, self._request.path_params["facility"])
        drafts = [draft for _, draft in self._read if isinstance(draft, Draft)]
        begun = time.monotonic()
        outcomes = iter(await self._taking.record(drafts, who.credential, who.scopes) if drafts else ())
        for number, read in self._read:
            self._results.add(number, read if isinstance(read, Refusal) else next(outcomes))
        if drafts:
            self._fit(len(drafts), time.monotonic() - begun)
        self._clear()

    def _fit(self, recorded: int, seconds: float) -> None:
        """The next chunk is as large as would have taken as long as it should; at most twice this one."""
        fits = int(recorded * min(2.0, self._bounds.aim / max(seconds, 1e-6)))
        self._size = max(self._bounds.fewest, min(self._bounds.most, fits))
