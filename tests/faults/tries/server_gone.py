"""PostgreSQL killed and started again under load: clients are told to come again, never left hanging, never failed."""

from __future__ import annotations

import time

from tests.faults.clients import FACILITY, Client, load, set_up, until
from tests.faults.databases import Database, on_server
from tests.faults.invariants import check
from tests.faults.remembered import Remembered
from tests.faults.served import Service, free_port
from tests.faults.setting import Figures, Setting

CLIENTS = 8
READS = ("/entries?limit=5", "/due", "/assets")
PATIENCE = 15.0
"""Seconds within which everything must be answered while the database is away."""


def gone(setting: Setting) -> Figures:
    """The plug pulled and an immediate shutdown, by turns; the service goes on without a restart."""
    figures, remembered, port = Figures(), Remembered(), free_port()
    database = on_server(setting.postgresql.url)
    service = setting.start(database.url, port)
    try:
        service.ready()
        set_up(port, database.token, remembered)
        for number in range(max(1, setting.rounds // 10)):
            _round(setting, database, port, remembered, number)
            assert not service.gone(0), service.told()[-2000:]
            found = check(database.url, FACILITY, remembered.as_it_stands())
            figures.add("rounds", **{"open and recorded": found.kept, "open and not": found.lost})
            setting.progress(figures)
        _as_it_must_end(service, remembered)
    finally:
        setting.postgresql.start()
        service.kill()
    figures.remember(remembered)
    return figures


def _round(setting: Setting, database: Database, port: int, remembered: Remembered, number: int) -> None:
    dice, server = setting.dice("gone", number), setting.postgresql
    with load([port], database.token, remembered, CLIENTS, setting.seed, number * CLIENTS):
        time.sleep(dice.uniform(0.05, 0.5))
        refused = remembered.not_now
        server.stop_at_once() if number % 2 else server.kill()
        until(lambda: remembered.not_now > refused + CLIENTS, "callers to be told to come again", PATIENCE)
        reader = Client(port, database.token, remembered)
        for path in READS:
            status, _ = reader.once("GET", path)
            assert status == 503, f"{path} answered {status} while the database was away"
        reader.close()
        before = len(remembered.acknowledged)
        server.start()
        until(lambda: len(remembered.acknowledged) > before + CLIENTS, "entries to be taken again", PATIENCE)


def _as_it_must_end(service: Service, remembered: Remembered) -> None:
    service.stop()
    assert remembered.cut == 0, "the service hung up on somebody"
    assert remembered.slowest < PATIENCE, f"an answer took {remembered.slowest:.1f} s"
    assert "a request failed" not in service.told(), service.told()[-3000:]
