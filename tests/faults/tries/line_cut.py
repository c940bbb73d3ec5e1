"""The line cut at any byte: recorded wholly or not at all, and sending again settles it."""

from __future__ import annotations

import json
import socket
import struct
from random import Random

from tests.faults.clients import FACILITY, Client, load, set_up
from tests.faults.databases import Database, sqlite
from tests.faults.invariants import check
from tests.faults.remembered import Remembered
from tests.faults.served import HOST, free_port
from tests.faults.setting import Figures, Setting
from tests.faults.work import Post, Worker

POSTS = 24
"""Cut in a round."""
NEIGHBOURS = 3
"""Clients whose lines hold, in the same transactions."""


def cut(setting: Setting) -> Figures:
    """Requests half sent, sent and not waited for, sent and hung up on hard; then each is sent again."""
    figures, remembered, port = Figures(), Remembered(), free_port()
    database = sqlite(setting.folder)
    service = setting.start(database.url, port)
    try:
        service.ready()
        set_up(port, database.token, remembered)
        for number in range(max(1, setting.rounds // 10)):
            _round(setting, database, port, remembered, figures, number)
            setting.progress(figures)
        service.stop()
        told = service.told()
        assert "Traceback" not in told, told[-3000:]
        assert "a request failed" not in told, told[-3000:]
    finally:
        service.kill()
    figures.remember(remembered)
    return figures


def _round(
    setting: Setting, database: Database, port: int, remembered: Remembered, figures: Figures, number: int
) -> None:
    worker = Worker(1_000 + number, setting.seed)
    client = Client(port, database.token, remembered)
    client.post(next(worker.posts()))  # registers a manifold
    posts = [worker.facts() for _ in range(POSTS)]
    with load([port], database.token, remembered, NEIGHBOURS, setting.seed, number * NEIGHBOURS):
        tickets = [remembered.sending(post.entries) for post in posts]
        sent = [_sent_and_cut(port, database.token, post, worker.dice) for post in posts]
    found = check(database.url, FACILITY, remembered.as_it_stands())
    figures.add("rounds", **{"open and recorded": found.kept, "open and not": found.lost})
    statuses = [client.settle(ticket, post) for ticket, post in zip(tickets, posts, strict=True)]
    client.close()
    figures.add(**{"half sent": sent.count(False), "sent and not heard": sent.count(True)})
    figures.add(**{"answered replayed": statuses.count(200), "answered recorded": statuses.count(201)})
    half = [status for whole, status in zip(sent, statuses, strict=True) if not whole]
    assert set(half) <= {201}, "half a request was recorded"
    check(database.url, FACILITY, remembered.as_it_stands())


def _sent_and_cut(port: int, token: str, post: Post, dice: Random) -> bool:
    """Send some of it or all of it and hang up, gently or hard; True where all of it was sent."""
    body = json.dumps(post.entries).encode()
    head = [
        f"POST /v1/facilities/{FACILITY}/entries HTTP/1.1",
        f"Host: {HOST}",
        f"Authorization: Bearer {token}",
        f"Content-Type: application/json\r\nContent-Length: {len(body)}\r\n\r\n",
    ]
    request = "\r\n".join(head).encode() + body
    whole = dice.random() < 0.5
    with socket.create_connection((HOST, port), 10) as line:
        line.sendall(request if whole else request[: dice.randrange(len(request))])
        if dice.random() < 0.5:  # an RST instead of a FIN
            line.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    return whole
