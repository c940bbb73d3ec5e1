"""Servers under test: each an uvicorn process on loopback, all started with the same flags."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from tests.bench.frame import Sample
from tests.bench.load import HOST, drive

FLAGS = ("--loop", "uvloop", "--http", "httptools", "--no-access-log", "--log-level", "warning", "--factory")
_ROOT = Path(__file__).parents[2]
_TICKS = os.sysconf("SC_CLK_TCK")


@dataclass(frozen=True, slots=True)
class Server:
    """A server that answers on ``port``."""

    port: int
    process: subprocess.Popen[bytes]

    def cpu(self) -> float | None:
        """Processor seconds used so far, all threads; None where the system does not say."""
        try:
            stat = Path(f"/proc/{self.process.pid}/stat").read_text(encoding="ascii")
        except FileNotFoundError:
            return None
        fields = stat.rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / _TICKS

    def loaded(
        self, requests: Sequence[bytes], clients: int, seconds: float, status: int = 201, *, again: bool = False
    ) -> tuple[Sample, int]:
        """Drive the server; the sample, and how many requests were answered."""
        before = self.cpu()
        driven = drive(self.port, requests, clients, seconds, status, again=again)
        after = self.cpu()
        cpu = (after - before) / driven.answered if before is not None and after is not None else None
        rate = driven.counted / driven.seconds
        return Sample(rate, driven.p50, driven.p99, cpu, driven.own_share), driven.answered


@contextmanager
def served(app: str, folder: Path, environment: Mapping[str, str] | None = None) -> Iterator[Server]:
    """Serve an app factory, ``package.module:function``, while the block runs."""
    port = _free_port()
    command = [sys.executable, "-m", "uvicorn", app, "--host", HOST, "--port", str(port), *FLAGS]
    log = folder / f"{app.rpartition('.')[2].replace(':', '-')}-{port}.log"
    with log.open("wb") as output:
        process = subprocess.Popen(
            command, env={**os.environ, **(environment or {})}, cwd=_ROOT, stdout=output, stderr=output
        )
        try:
            _wait_for(port, process, log)
            yield Server(port, process)
        finally:
            process.terminate()
            try:
                process.wait(10)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        return int(probe.getsockname()[1])


def _wait_for(port: int, process: subprocess.Popen[bytes], log: Path) -> None:
    until = time.monotonic() + 30
    while time.monotonic() < until and process.poll() is None:
        try:
            socket.create_connection((HOST, port), 1).close()
        except OSError:
            time.sleep(0.05)
        else:
            return
    raise RuntimeError(f"it did not start: {log.read_text(encoding='utf-8', errors='replace')[-2000:]}")


def request(method: str, path: str, body: bytes = b"", token: str = "") -> bytes:
    """One finished HTTP/1.1 request."""
    lines = [f"{method} {path} HTTP/1.1", f"Host: {HOST}"]
    if token:
        lines.append(f"Authorization: Bearer {token}")
    if body:
        lines += ["Content-Type: application/json", f"Content-Length: {len(body)}"]
    return "\r\n".join([*lines, "", ""]).encode() + body
