"""The service as a user starts it: a process of its own, on loopback, that can be killed, frozen and traced."""

from __future__ import annotations

import contextlib
import http.client
import json
import os
import select
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]
HOST = "127.0.0.1"
_PATIENCE = 60.0
_LEVEL = "warning"


@dataclass
class Service:
    """One running process."""

    pid: int
    port: int
    log: Path
    child: subprocess.Popen[bytes] | None = None

    def __post_init__(self) -> None:
        self._watch: int | None = os.pidfd_open(self.pid)
        self.begun = time.monotonic()

    def signal(self, number: int) -> None:
        """Send a signal; to a process that has gone, nothing."""
        if self._watch is not None:
            with contextlib.suppress(ProcessLookupError):
                signal.pidfd_send_signal(self._watch, number)

    def gone(self, seconds: float) -> bool:
        """Wait until it has ended."""
        return self._watch is None or bool(select.select([self._watch], [], [], seconds)[0])

    def kill(self) -> None:
        """SIGKILL, and wait until nothing of it is left."""
        self.signal(signal.SIGKILL)
        if not self.gone(_PATIENCE):
            raise RuntimeError(f"{self.pid} outlives SIGKILL")
        if self._watch is not None:
            os.close(self._watch)
            self._watch = None
        if self.child is not None:
            self.child.wait()

    def stop(self) -> None:
        """A clean stop, as an operator asks for it."""
        self.signal(signal.SIGTERM)
        ended = self.gone(_PATIENCE)
        self.kill()
        if not ended:
            raise RuntimeError(f"it did not stop when asked: {self.told()[-2000:]}")

    def ready(self) -> float:
        """Wait until it says it is ready; seconds since its start."""
        while time.monotonic() < self.begun + _PATIENCE and not self.gone(0):
            with contextlib.suppress(OSError, http.client.HTTPException):
                if self._is_ready():
                    return time.monotonic() - self.begun
            time.sleep(0.01)
        raise RuntimeError(f"it did not become ready: {self.told()[-2000:]}")

    def _is_ready(self) -> bool:
        line = http.client.HTTPConnection(HOST, self.port, timeout=10)
        try:
            line.request("GET", "/readyz")
            return line.getresponse().status == 200
        finally:
            line.close()

    def told(self) -> str:
        """Its log."""
        return self.log.read_text(encoding="utf-8", errors="replace") if self.log.exists() else ""


def free_port() -> int:
    """A port nobody has now."""
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        return int(probe.getsockname()[1])


def started(url: str, port: int, folder: Path, before: Sequence[str] = ()) -> Service:
    """``python -m service serve``; ``before`` goes in front of it (a tracer)."""
    log = folder / f"service-{port}.log"
    with log.open("ab") as output:
        child = subprocess.Popen(
            [*before, sys.executable, "-m", "service", *_arguments(port)],
            env={**os.environ, **_environment(url)},
            cwd=ROOT,
            stdin=subprocess.DEVNULL,
            stdout=output,
            stderr=output,
        )
    return Service(child.pid, port, log, child)


def _arguments(port: int) -> list[str]:
    return ["serve", "--host", HOST, "--port", str(port)]


def _environment(url: str) -> Mapping[str, str]:
    return {"WITNESSMARK_DATABASE_URL": url, "WITNESSMARK_LOG_LEVEL": _LEVEL, "PYTHONPATH": str(ROOT)}


class Nursery:
    """Starts services without the seconds their imports take."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self._process = process

    def start(self, url: str, port: int, folder: Path) -> Service:
        """The same as ``started``."""
        order = {"arguments": _arguments(port), "environment": _environment(url)}
        log = folder / f"service-{port}.log"
        ours, theirs = self._process.stdout, self._process.stdin
        if ours is None or theirs is None:
            raise RuntimeError("the nursery has no pipes")
        theirs.write(json.dumps({**order, "log": str(log)}) + "\n")
        theirs.flush()
        return Service(int(ours.readline()), port, log)


@contextmanager
def nursery() -> Iterator[Nursery]:
    """A nursery while the block runs."""
    process = subprocess.Popen(
        [sys.executable, "-m", "tests.faults.nursery"],
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    with process:  # closes its input: it ends
        yield Nursery(process)
