"""The load generator: a process of its own that keeps some connections busy and times every answer.

``drive`` is what a row calls; it starts this file as a process and hands it finished requests on its standard input.
Each connection sends one request, waits for the whole answer, sends the next. Bounded in count and time, loopback only.
The process says how much processor time it used itself: near a whole core, it would be the bottleneck and the figure
would be its own.
"""

from __future__ import annotations

import asyncio
import gc
import json
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import cycle
from typing import Any

import httptools
import uvloop

from tests.bench.frame import quantile

HOST = "127.0.0.1"
MOST = 20_000
"""Requests in one drive, whatever else is asked."""
_PATIENCE = 60


@dataclass(frozen=True, slots=True)
class Driven:
    """What came back: all answers, those that make the rate and in how many seconds, latencies, own share of a core.

    The last answers come after sending has stopped, from ever fewer connections: they say nothing about the rate,
    unless hardly any came before.
    """

    answered: int
    counted: int
    seconds: float
    p50: float
    p99: float
    own_share: float


def drive(
    port: int, requests: Sequence[bytes], clients: int, seconds: float, status: int, *, again: bool = False
) -> Driven:
    """Send requests over so many connections until they or the time run out.

    Args:
        port: on loopback.
        requests: whole HTTP/1.1 requests, ready to be sent.
        clients: connections, each with one request under way.
        seconds: when to stop sending.
        status: what every answer must say; anything else is an error.
        again: begin again when the requests run out (for reading only).
    """
    order = {"port": port, "clients": clients, "seconds": seconds, "status": status, "again": again}
    order["lengths"] = [len(request) for request in requests]
    sent = json.dumps(order).encode() + b"\n" + b"".join(requests)
    command = [sys.executable, "-m", "tests.bench.load"]
    done = subprocess.run(command, input=sent, capture_output=True, check=False, timeout=seconds + _PATIENCE)
    if done.returncode:
        raise RuntimeError(done.stderr.decode()[-2000:])
    return Driven(**json.loads(done.stdout))


class _Clients:
    """What the connections share: the requests to come, the times taken, the end."""

    def __init__(self, order: dict[str, Any], requests: list[bytes]) -> None:
        self.requests: Iterator[bytes] = cycle(requests) if order["again"] else iter(requests)
        self.left, self.wanted = MOST, order["status"]
        self.until = self.last = self.last_counted = 0.0
        self.counted = 0
        self.times: list[float] = []
        self.wrong: dict[int, bytes] = {}
        self.open = order["clients"]
        self.done = asyncio.Event()

    def take(self) -> bytes | None:
        """The next request, if there is time for one."""
        self.left -= 1
        return next(self.requests, None) if self.left >= 0 and time.perf_counter() < self.until else None


class _Client(asyncio.Protocol):
    """One connection. It is its parser's listener too."""

    def __init__(self, clients: _Clients) -> None:
        self.clients = clients
        self.parser = httptools.HttpResponseParser(self)
        self.transport: Any = None
        self.begun = 0.0
        self.body = b""

    def connection_made(self, transport: Any) -> None:
        self.transport = transport

    def send(self) -> None:
        request = self.clients.take()
        if request is None:
            self.transport.close()
            return
        self.begun = time.perf_counter()
        self.transport.write(request)

    def data_received(self, data: bytes) -> None:
        self.parser.feed_data(data)

    def on_body(self, body: bytes) -> None:
        self.body = body

    def on_message_complete(self) -> None:
        clients, now = self.clients, time.perf_counter()
        clients.last = now
        clients.times.append(now - self.begun)
        if now < clients.until:
            clients.last_counted, clients.counted = now, clients.counted + 1
        if (status := self.parser.get_status_code()) != clients.wanted:
            clients.wrong[status] = self.body[:300]
        self.send()

    def connection_lost(self, _: Exception | None) -> None:
        self.clients.open -= 1
        if not self.clients.open:
            self.clients.done.set()


async def _run(order: dict[str, Any], requests: list[bytes]) -> dict[str, Any]:
    clients, loop = _Clients(order, requests), asyncio.get_running_loop()
    made = [await loop.create_connection(lambda: _Client(clients), HOST, order["port"]) for _ in range(clients.open)]
    gc.collect()
    gc.freeze()
    gc.disable()
    cpu, begun = time.process_time(), time.perf_counter()
    clients.until = begun + order["seconds"]
    for _, client in made:
        client.send()
    async with asyncio.timeout(order["seconds"] + _PATIENCE / 2):
        await clients.done.wait()
    own_share = (time.process_time() - cpu) / (time.perf_counter() - begun)
    if clients.wrong or not clients.times:
        raise RuntimeError(f"answers other than {order['status']}: {clients.wrong}")
    if clients.counted < 2 * order["clients"]:
        clients.last_counted, clients.counted = clients.last, len(clients.times)
    ordered = sorted(clients.times)
    return {
        "answered": len(ordered),
        "counted": clients.counted,
        "seconds": clients.last_counted - begun,
        "p50": quantile(ordered, 0.50),
        "p99": quantile(ordered, 0.99),
        "own_share": own_share,
    }


def main() -> None:
    """Read the order and the requests, drive, say what came of it."""
    order = json.loads(sys.stdin.buffer.readline())
    requests = [sys.stdin.buffer.read(length) for length in order["lengths"]]
    sys.stdout.write(json.dumps(uvloop.run(_run(order, requests))))


if __name__ == "__main__":
    main()
