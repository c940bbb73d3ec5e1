"""Serving processes started for real, clients in front of them, and what must hold of a ledger whatever was done."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx

from service.access.tokens import new_token
from service.entries.catalogue import SCOPES
from service.entries.facility import FacilityOpened
from service.ledger.append import open_facility
from service.ledger.entry import read_all
from service.ledger.replay import replay
from service.store import entries as stored
from service.store import remake, views
from service.store.engine import Store
from tests.ledger.bench import Clock
from tests.ledger.scenario import FACILITY
from tests.merkle.reference import mth

ROOT = Path(__file__).parents[2]
HOST = "127.0.0.1"


@dataclass(frozen=True)
class Process:
    """A serving process and its address."""

    process: subprocess.Popen[str]
    url: str

    def client(self, token: str, **headers: str) -> httpx.Client:
        headers["Authorization"] = f"Bearer {token}"
        return httpx.Client(base_url=f"{self.url}/v1/facilities/ferrow", headers=headers, timeout=60, trust_env=False)

    def end(self, how: signal.Signals = signal.SIGTERM) -> int:
        self.process.send_signal(how)
        return self.process.wait(60)


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        return int(probe.getsockname()[1])


def start(database_url: str, *options: str, **settings: str) -> Process:
    """``serve`` on a port of its own."""
    port = free_port()
    command = [sys.executable, "-m", "service", "serve", "--host", HOST, "--port", str(port), *options]
    environment = {**os.environ, "WITNESSMARK_DATABASE_URL": database_url, "WITNESSMARK_LOG_LEVEL": "error"}
    named = {f"WITNESSMARK_{name.upper()}": value for name, value in settings.items()}
    process = subprocess.Popen(
        command, cwd=ROOT, env=environment | named, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True
    )
    return Process(process, f"http://{HOST}:{port}")


def ready(*started: Process) -> None:
    """Wait until they say so."""
    until = time.monotonic() + 120
    for one in started:
        while True:
            assert one.process.poll() is None, one.process.communicate()[1]
            assert time.monotonic() < until, f"{one.url} is not ready"
            with suppress(httpx.TransportError):
                if httpx.get(f"{one.url}/readyz", timeout=5, trust_env=False).is_success:
                    break
            time.sleep(0.05)


@contextmanager
def serving(*database_urls: str, **settings: str) -> Iterator[list[Process]]:
    """A process for each of these, all ready; they are ended at the end if they have not before."""
    started = [start(url, **settings) for url in database_urls]
    try:
        ready(*started)
        yield started
    finally:
        for one in started:
            if one.process.poll() is None:
                one.process.kill()
            one.process.communicate()


def opened(store: Store, facility: Mapping[str, Any] = FACILITY) -> str:
    """A facility on this database, and a token for everything."""
    clock = Clock()
    open_facility(store, FacilityOpened.model_validate(facility), clock)
    return new_token(store, [str(facility["code"])], SCOPES, clock())


def nothing_is_marked(store: Store, facility: str = "ferrow", seconds: float = 60) -> None:
    """Wait until whoever judges has judged all."""
    until = time.monotonic() + seconds
    while True:
        with store.reading() as tx:
            if not views.marked(tx, facility, 1):
                return
        assert time.monotonic() < until, "rebuilds still wait to be judged"
        time.sleep(0.02)


def sound(store: Store, facility: str = "ferrow", acknowledged: Mapping[str, int] | None = None) -> int:
    """The ledger is what it says it is; gives its size.

    No gap, no fork: seq 1, 2, 3 …; the root recomputed from the entries alone by the recursion that RFC 9162 writes
    down; every acknowledged entry there once, at the seq it was told; ``recorded_at`` never backwards; and the views
    those that a replay makes.
    """
    with store.reading() as tx:
        head, found = stored.read_head(tx, facility), stored.page(tx, facility, 0, 1_000_000)
        live = remake.contents(tx, facility)
    assert head is not None
    assert [seq for seq, _ in found] == list(range(1, head.size + 1))
    assert mth([body.encode() for _, body in found]) == head.root
    entries = read_all(found)
    at = {entry.id: entry.seq for entry in entries}
    assert len(at) == len(entries)
    assert {id_: at.get(id_) for id_ in acknowledged or {}} == (acknowledged or {})
    recorded = [entry.recorded_at for entry in entries]
    assert recorded == sorted(recorded)
    assert all(_well_judged(entries))
    replay(store, facility)
    with store.reading() as tx:
        assert remake.contents(tx, facility) == live
    return int(head.size)


def _well_judged(entries: list[Any]) -> Iterator[bool]:
    """No judgement says again what the one before it has said of that rebuild."""
    last: dict[str, Any] = {}
    for entry in entries:
        if entry.type == "rebuild.judged":
            said = {name: value for name, value in entry.data.items() if name != "through"}
            yield last.get(entry.rebuild) != said
            last[entry.rebuild] = said
