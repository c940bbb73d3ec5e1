"""The line is cut anywhere while entries go to a real server by the line: sent again, each entry is there exactly once."""

from __future__ import annotations

import json
import os
import random
import signal
import socket
import struct
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

import httpx
import pytest

from service.entries.envelope import read_envelope
from service.ledger.admit import ids_of
from service.store import entries as stored
from service.store.engine import Store
from tests.api import scenario
from tests.api.desk import running
from tests.api.scenario import HERE, entry

ROOT = Path(__file__).parents[2]
RESET = struct.pack("ii", 1, 0)
"""SO_LINGER: what was sent and not yet taken is thrown away, as when a cable is pulled."""


def file() -> list[Any]:
    """Entries with and without ids, identical ones far apart, and some that are refused."""
    same = entry("note.added", "12:00:00", **HERE, text="left bank")
    notes = [same | {"data": {"text": str(number)}} for number in range(600)]
    for number in range(0, 600, 7):
        notes[number] = notes[number] | {"id": f"01991234-0000-7000-8000-{number:012x}"}
    for number in (3, 250, 251, 599):
        notes[number] = same
    notes[100] = notes[100] | {"asset": "nowhere"}
    return notes


class Served(NamedTuple):
    process: subprocess.Popen[bytes]
    port: int
    url: str
    facility: str
    token: str

    def head(self, length: int) -> bytes:
        return (
            f"POST /v1/facilities/{self.facility}/entries HTTP/1.1\r\nHost: ledger.test\r\n"
            f"Authorization: Bearer {self.token}\r\nContent-Type: application/x-ndjson\r\n"
            f"Content-Length: {length}\r\n\r\n"
        ).encode()

    def post(self, body: bytes) -> list[Any]:
        with httpx.Client(trust_env=False, timeout=60) as http:
            answer = http.post(
                f"http://127.0.0.1:{self.port}/v1/facilities/{self.facility}/entries", content=body,
                headers={"Authorization": f"Bearer {self.token}", "Content-Type": "application/x-ndjson"},
            )  # fmt: skip
        assert answer.status_code == 200, answer.text
        return [json.loads(line) for line in answer.text.splitlines()]

    def recorded(self) -> list[dict[str, Any]]:
        """Notes in the order of the ledger, read past the service."""
        store = Store(self.url)
        try:
            with store.reading() as tx:
                found = [json.loads(text) for _, text in stored.page(tx, self.facility, 0, 100_000)]
        finally:
            store.close()
        assert [one["seq"] for one in found] == list(range(1, len(found) + 1))
        return [one for one in found if one["type"] == "note.added"]


@pytest.fixture
def served(database_url: str, tmp_path: Path) -> Iterator[Served]:
    """The service as an operator starts it."""
    with running(database_url) as desk:
        desk.open()
        desk.record(*scenario.registered())
        facility, token = desk.facility, desk.token
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    environment = {**os.environ, "WITNESSMARK_DATABASE_URL": database_url}
    with (tmp_path / "log").open("wb") as log:
        process = subprocess.Popen(
            [sys.executable, "-m", "service", "serve", "--port", str(port)],
            env=environment, cwd=ROOT, stdout=log, stderr=log,
        )  # fmt: skip
        try:
            until = time.monotonic() + 60
            while time.monotonic() < until and process.poll() is None:
                try:
                    socket.create_connection(("127.0.0.1", port), 1).close()
                    break
                except OSError:
                    time.sleep(0.05)
            yield Served(process, port, database_url, facility, token)
        finally:
            process.kill()
            process.wait()


def cut(served: Served, request: bytes, place: int, *, pulled: bool) -> None:
    """Send a request up to a place, then go: with a goodbye, or as if a cable were pulled."""
    with socket.create_connection(("127.0.0.1", served.port), 10) as line:
        line.sendall(request[:place])
        if pulled:
            line.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, RESET)


def test_wherever_the_line_is_cut_sending_again_leaves_every_entry_exactly_once(served: Served) -> None:
    values = file()
    body = b"".join(json.dumps(value).encode() + b"\n" for value in values)
    request = served.head(len(body)) + body
    begins = len(request) - len(body)
    chance = random.Random(20260601)  # noqa: S311 - the same places each time
    places = [
        begins - 5,
        begins,
        begins + 1,
        len(request) - 1,
        *(chance.randrange(begins, len(request)) for _ in range(12)),
    ]
    wanted = ids_of(served.facility, [read_envelope(value) for value in values])
    del wanted[100]
    for number, place in enumerate(places):
        cut(served, request, place, pulled=bool(number % 2))
        there = [one["id"] for one in served.recorded()]
        assert there == wanted[: len(there)], "what is recorded is the file from its beginning, each entry once"
    # The answer is not read to its end: everything is recorded, and the caller cannot know it.
    with socket.create_connection(("127.0.0.1", served.port), 10) as line:
        line.sendall(request)
        line.recv(1000)
    for _ in range(2):
        *told, done = served.post(body)
        assert done == {"done": True, "read": len(values), "accepted": len(wanted), "refused": 1}
        assert [one["id"] for one in told if "id" in one] == wanted
    assert [one["id"] for one in served.recorded()] == wanted


def test_a_service_told_to_stop_answers_an_import_under_way_and_ends(served: Served) -> None:
    body = b"".join(json.dumps(value).encode() + b"\n" for value in file())
    with socket.create_connection(("127.0.0.1", served.port), 30) as line:
        line.sendall(served.head(len(body)) + body[: len(body) // 2])
        until = time.monotonic() + 30
        while not served.recorded() and time.monotonic() < until:
            time.sleep(0.02)
        served.process.send_signal(signal.SIGTERM)
        answer = line.makefile("rb").read()
    head, _, told = answer.partition(b"\r\n\r\n")
    assert head.startswith(b"HTTP/1.1 503 ")
    assert b"retry-after: " in head.lower()
    assert "send it all again" in json.loads(told)["detail"]
    served.process.wait(20)
    assert served.recorded()
