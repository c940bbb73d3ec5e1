"""Two processes on one PostgreSQL: they race for one id, and one of them dies under load."""

from __future__ import annotations

import threading
import time
from collections.abc import Sequence
from typing import Any

from tests.faults.clients import FACILITY, Client, load, set_up, until
from tests.faults.databases import Database, on_server
from tests.faults.invariants import check
from tests.faults.remembered import Remembered
from tests.faults.served import Service, free_port
from tests.faults.setting import Figures, Setting
from tests.faults.work import Post, Worker

CLIENTS = 8
ONE_OF_EACH = {200, 201, 409}


def raced(setting: Setting) -> Figures:
    """The same entry to both at once; then one id with two contents; then load on both while one is killed."""
    figures, remembered, ports = Figures(), Remembered(), [free_port(), free_port()]
    database = on_server(setting.postgresql.url)
    services = [setting.start(database.url, port) for port in ports]
    try:
        for service in services:
            service.ready()
        set_up(ports[0], database.token, remembered)
        _races(setting, [Client(port, database.token, remembered) for port in ports], figures)
        check(database.url, FACILITY, remembered.as_it_stands())
        for number in range(max(1, setting.rounds // 20)):
            with load(ports, database.token, remembered, CLIENTS, setting.seed, number * CLIENTS):
                _one_dies(setting, services, number, database, remembered, figures)
            check(database.url, FACILITY, remembered.as_it_stands())
        for service in services:
            service.stop()
        found = check(database.url, FACILITY, remembered.as_it_stands())
        figures.worst("entries in one ledger", found.entries)
    finally:
        for service in services:
            service.kill()
    figures.remember(remembered)
    return figures


def _races(setting: Setting, clients: Sequence[Client], figures: Figures) -> None:
    worker = Worker(1_000, setting.seed)
    clients[0].post(next(worker.posts()))
    for _ in range(setting.rounds):
        _same(clients, worker.reading(), figures)
        _different(clients, worker.reading(), figures)
        setting.progress(figures)
    for client in clients:
        client.close()


def _one_dies(
    setting: Setting, services: list[Service], number: int, database: Database, remembered: Remembered, figures: Figures
) -> None:
    """One of the two is killed, the other goes on, and the one comes back."""
    place = number % 2
    time.sleep(setting.dice("race", number).uniform(0.1, 0.8))
    services[place].kill()
    services[place] = setting.start(database.url, services[place].port)
    figures.add("kills")
    figures.worst("restart, s", services[place].ready())
    before = len(remembered.acknowledged)
    until(lambda: len(remembered.acknowledged) > before + CLIENTS, "entries to be taken by both")


def _at_once(clients: Sequence[Client], posts: Sequence[Post]) -> list[int]:
    """Each client its post, at one moment; the statuses."""
    gate, statuses = threading.Barrier(len(clients)), [0] * len(clients)

    def send(place: int) -> None:
        gate.wait(10)
        statuses[place] = clients[place].post(posts[place])

    threads = [threading.Thread(target=send, args=(place,)) for place in range(len(clients))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return statuses


def _same(clients: Sequence[Client], entry: dict[str, Any], figures: Figures) -> None:
    """One is told 201, the other 200, both the same seq and leaf (``Remembered`` compares them)."""
    statuses = _at_once(clients, [Post([entry], {200, 201})] * 2)
    assert sorted(statuses) == [200, 201], statuses
    figures.add("races", **{f"won by process {statuses.index(201)}": 1})


def _different(clients: Sequence[Client], entry: dict[str, Any], figures: Figures) -> None:
    """One is recorded, the other contradicts it; sent again they are answered so again."""
    entries = [{**entry, "by": who} for who in ("first", "second")]
    statuses = _at_once(clients, [Post([one], ONE_OF_EACH) for one in entries])
    assert sorted(statuses) == [201, 409], statuses
    won, lost = statuses.index(201), statuses.index(409)
    assert clients[lost].post(Post([entries[won]], {200})) == 200
    assert clients[won].post(Post([entries[lost]], {409})) == 409
    assert clients[0].remembered.acknowledged[entry["id"]].sent == entries[won]
    figures.add("races for two contents")
