"""One durable POST against a bare route: what the rows about single posts share."""

from __future__ import annotations

import http.client
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from typing import Any

import orjson

from tests.bench.fill import CODE, Filled, filled
from tests.bench.floor import NAME as FLOOR
from tests.bench.floor import floor
from tests.bench.frame import Contender, Figure, Round, Sample, Setting
from tests.bench.load import HOST
from tests.bench.servers import Server, request, served

CLIENTS = (1, 16, 64)
BARE = "tests.bench.apps.bare:app"
OURS = "tests.bench.apps.ours:app"
Body = Callable[[int, int], dict[str, Any]]
"""The entry that is posted at a place, given how many subjects take turns."""


@dataclass
class Posts:
    """Posts that are each sent once; ``most`` of them in one round, so that no subject gets many.

    A service that has been running knows what it is told about: the first ``ahead`` posts of a round (of the first
    round alone, if ``once``) are sent untimed, in one body, and the others are about the same subjects.
    """

    body: Body
    subjects: int
    most: int
    ahead: int = 0
    once: bool = False
    sent: int = 0
    """How many the service has answered: the next round goes on there."""

    def following(self) -> list[bytes]:
        """The bodies to send next."""
        return [orjson.dumps(self.body(post, self.subjects)) for post in range(self.sent, self.sent + self.most)]

    def send_ahead(self, server: Server, path: str, token: str) -> None:
        """What is sent before the clock runs."""
        if not self.once:
            self.sent = -(-self.sent // self.most) * self.most  # each round has subjects of its own
        elif self.sent:
            return
        bodies = [self.body(post, self.subjects) for post in range(self.sent, self.sent + self.ahead)]
        connection = http.client.HTTPConnection(HOST, server.port, timeout=60)
        headers = {"Authorization": f"Bearer {token}", "Content-Type": "application/json"}
        connection.request("POST", path, orjson.dumps(bodies), headers)
        answered = connection.getresponse()
        if answered.status != 201:
            raise RuntimeError(f"{answered.status}: {answered.read()[:300]!r}")
        connection.close()
        self.sent += self.ahead

    def to(self, server: Server, path: str, token: str, clients: int, seconds: float) -> Sample:
        """Send them to a server that keeps them."""
        if self.ahead:
            self.send_ahead(server, path, token)
        requests = [request("POST", path, body, token) for body in self.following()]
        sample, answered = server.loaded(requests, clients, seconds)
        self.sent += answered
        return sample

    def to_forgetful(self, server: Server, path: str, clients: int, seconds: float) -> Sample:
        """Send them to a server that keeps nothing, over and over."""
        requests = [request("POST", path, body) for body in self.following()]
        return server.loaded(requests, clients, seconds, again=True)[0]


def to_ours(server: Server, database: Filled, posts: Posts, clients: int, seconds: float) -> Sample:
    """One sample of the service."""
    return posts.to(server, f"/v1/facilities/{CODE}/entries", database.token, clients, seconds)


@contextmanager
def against_bare(setting: Setting, posts: Posts, type_: str, *, work: int = 0) -> Iterator[Mapping[str, Contender]]:
    """The service, the bare route and the floor, each with every number of clients."""
    name, seconds = type_.replace(".", "-"), setting.seconds
    database = filled(setting.folder, name, posts.subjects, work=work)
    with (
        served(OURS, setting.folder, database.environment) as ours,
        served(BARE, setting.folder) as bare,
        floor(setting.folder, seconds / 4) as one_sync,
    ):
        contenders: dict[str, Contender] = {FLOOR: one_sync}
        for clients in CLIENTS:
            contenders[_ours(clients)] = partial(to_ours, ours, database, posts, clients, seconds)
            contenders[_bare(clients)] = partial(posts.to_forgetful, bare, f"/{type_}", clients, seconds / 2)
        yield contenders


def figures(type_: str, reach: Sequence[float]) -> list[Figure]:
    """Ours against bare: at one client by the middle latency with the floor taken off, else by posts a second."""
    wanted = dict(zip(CLIENTS, reach, strict=True))
    found = [Figure(f"{type_} against bare, 1 client, floor taken off", _floor_off, at_least=wanted[1])]
    for clients in CLIENTS[1:]:
        rates = partial(_rates, clients)
        found.append(Figure(f"{type_} against bare, {clients} clients", rates, at_least=wanted[clients]))
    spent = partial(_spent, CLIENTS[-1])
    return [*found, Figure(f"{type_}, processor time, bare against service, {CLIENTS[-1]} clients", spent)]


def _floor_off(seen: Round) -> float:
    return seen[_bare(1)].p50 / (seen[_ours(1)].p50 - seen[FLOOR].p50)


def _rates(clients: int, seen: Round) -> float:
    return seen[_ours(clients)].rate / seen[_bare(clients)].rate


def _spent(clients: int, seen: Round) -> float:
    """Stands still where other work on the machine makes rates jump."""
    return (seen[_bare(clients)].cpu or 0.0) / (seen[_ours(clients)].cpu or 1.0)


def _ours(clients: int) -> str:
    return f"service, {_counted(clients)}"


def _bare(clients: int) -> str:
    return f"bare route, {_counted(clients)}"


def _counted(clients: int) -> str:
    return f"{clients} client" + "s" * (clients != 1)
