"""The log of an export verified, judgements apart, in two processes.

Measures: ``verify_file`` on an export of 200,000 entries (``--million``: 1,000,000), without judging again: signature,
every leaf, the root, seq, times and ids; and once more the leaves and the root alone.
Against: SHA-256 over the same bytes, one process, nothing else.
To reach: 3.5 times the time of that.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from functools import partial
from hashlib import sha256
from pathlib import Path

from service.ledger.verify import verify_file
from tests.bench.exported import exported, size_of
from tests.bench.frame import Contender, Figure, Row, Sample, Setting

_LOG, _LEAVES, _RAW = "log, two processes", "leaves and root alone, two processes", "SHA-256 of the bytes"
_AT_ONCE = 1 << 20


def _timed(work: Callable[[], object], things: int) -> Sample:
    begun = time.perf_counter()
    work()
    taken = time.perf_counter() - begun
    return Sample(things / taken, taken / things, taken / things)


def _verified(file: Path, *, entries: bool) -> None:
    report = verify_file(file, hands=2, judgements=False, entries=entries)
    if not report.holds:
        raise AssertionError(str(report.wrong[0]))


def _hashed(file: Path) -> bytes:
    whole = sha256()
    with file.open("rb") as opened:
        while some := opened.read(_AT_ONCE):
            whole.update(some)
    return whole.digest()


@contextmanager
def _contenders(setting: Setting) -> Iterator[Mapping[str, Contender]]:
    file, size = exported(setting, "verified"), size_of(setting)
    yield {
        _LOG: partial(_timed, partial(_verified, file, entries=True), size),
        _LEAVES: partial(_timed, partial(_verified, file, entries=False), size),
        _RAW: partial(_timed, partial(_hashed, file), size),
    }


ROW = Row(
    "verify log",
    "An export verified in two processes, judgements apart; rate in entries.",
    _contenders,
    lambda _: [
        Figure("time against SHA-256 of the bytes", lambda seen: seen[_LOG].p50 / seen[_RAW].p50, at_most=3.5),
        Figure("leaves and root alone against the same", lambda seen: seen[_LEAVES].p50 / seen[_RAW].p50),
    ],
)
