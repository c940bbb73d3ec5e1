"""Memory of the service while 1,000,000 entries are imported by the line (``--quick``: 100,000), all in one request.

Measures: how far the resident memory of the process rises above what it was when 10,000 entries had been sent.
Against: nothing; the import runs once and every round is told the same. The readings are of 20 manifolds, all of which
have had their turn by then: what a writer remembers of the register grows with the register, not with the import.
To reach: 32 MiB.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from functools import cache, partial
from pathlib import Path

from tests.bench.fill import filled
from tests.bench.frame import Contender, Figure, Row, Sample, Setting
from tests.bench.importing import imported, lines, readings
from tests.bench.posting import OURS
from tests.bench.servers import Server, served

_MANIFOLDS, _FIRST, _EVERY = 20, 10_000, 1_000
_IMPORT = "one import"
_MIB = 1024.0


class _Watched:
    """Lines on their way, and the resident memory of the process that takes them."""

    def __init__(self, server: Server, count: int) -> None:
        self._status, self._count = Path(f"/proc/{server.process.pid}/status"), count
        self.first = self.most = 0.0

    def body(self) -> Iterator[bytes]:
        """All lines, a thousand at a time; memory is looked at in between."""
        for start in range(0, self._count, _EVERY):
            yield b"".join(lines(readings(number, _MANIFOLDS) for number in range(start, start + _EVERY)))
            if start >= _FIRST:
                self.first = self.first or self.resident()
                self.most = max(self.most, self.resident())

    def resident(self) -> float:
        """MiB."""
        told = next(line for line in self._status.read_text("ascii").splitlines() if line.startswith("VmRSS:"))
        return int(told.split()[1]) / _MIB


@contextmanager
def _contenders(setting: Setting) -> Iterator[Mapping[str, Contender]]:
    count = 100_000 if setting.quick else 1_000_000
    database = filled(setting.folder, "memory", _MANIFOLDS)
    with served(OURS, setting.folder, database.environment) as server:

        @cache
        def once() -> Sample:
            watched = _Watched(server, count)
            sample = imported(server, database, watched.body(), count)
            return Sample(sample.rate, (watched.most - watched.first) / 1000, watched.most / 1000, sample.cpu)

        yield {_IMPORT: partial(once)}


ROW = Row(
    "import memory",
    "Resident memory during one import; under p50 its rise and under p99 its height, MiB.",
    _contenders,
    lambda _: [
        Figure("rise after the first 10,000 entries", lambda seen: 1000 * seen[_IMPORT].p50, at_most=32, unit=" MiB"),
        Figure("memory at its highest", lambda seen: 1000 * seen[_IMPORT].p99, unit=" MiB"),
    ],
)
