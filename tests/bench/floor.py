"""The floor under every durable write: one page written over, one fdatasync, in the folder of the database."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.bench.frame import Contender, Sample, of_times

NAME = "floor: one fdatasync"
_PAGE, _PAGES, _MOST = 4096, 1024, 2_000


@contextmanager
def floor(folder: Path, seconds: float) -> Iterator[Contender]:
    """A contender that writes one page and waits for the disk, again and again."""
    path = folder / "floor"
    file = os.open(path, os.O_RDWR | os.O_CREAT)
    try:
        os.write(file, bytes(_PAGE * _PAGES))
        os.fsync(file)
        yield lambda: _synced(file, seconds)
    finally:
        os.close(file)
        path.unlink()


def _synced(file: int, seconds: float) -> Sample:
    times: list[float] = []
    until, cpu = time.perf_counter() + seconds, time.process_time()
    while (begun := time.perf_counter()) < until and len(times) < _MOST:
        os.pwrite(file, os.urandom(_PAGE), len(times) % _PAGES * _PAGE)
        os.fdatasync(file)
        times.append(time.perf_counter() - begun)
    return of_times(times, (time.process_time() - cpu) / len(times))
