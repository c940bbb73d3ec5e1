"""SIGKILL at random moments under load: while requests are read, judged, written, synced, and while it starts."""

from __future__ import annotations

import time
from functools import partial
from random import Random

from tests.faults.clients import FACILITY, load, set_up, until
from tests.faults.databases import Database, on_server, sqlite
from tests.faults.invariants import check
from tests.faults.remembered import Remembered
from tests.faults.served import Service, free_port, started
from tests.faults.setting import Figures, Setting

LIVES = 20
"""Rounds on one database, which grows on; then a fresh one."""
CLIENTS = 8
LONGEST = 0.6
"""Seconds under load before the kill, at most; or"""
MOST = 100
"""entries acknowledged before it."""


def on_sqlite(setting: Setting) -> Figures:
    """The rounds on SQLite files."""
    return _rounds(setting, "sqlite")


def on_postgresql(setting: Setting) -> Figures:
    """The same on PostgreSQL."""
    return _rounds(setting, "postgresql")


def _rounds(setting: Setting, engine: str) -> Figures:
    figures = Figures()
    for begun in range(0, setting.rounds, LIVES):
        lives = min(LIVES, setting.rounds - begun)
        database = sqlite(setting.folder) if engine == "sqlite" else on_server(setting.postgresql.url)
        _lives(setting, database, lives, figures, f"{engine}/{begun}")
    return figures


def _lives(setting: Setting, database: Database, lives: int, figures: Figures, seed: str) -> None:
    """So many lives of the service on one database, the clients going on all the while; the last ends cleanly."""
    dice, remembered, port = setting.dice(seed), Remembered(), free_port()
    service = started(database.url, port, setting.folder) if setting.cold else setting.start(database.url, port)
    look = partial(_look, setting, database, remembered, figures)
    try:
        service.ready()
        set_up(port, database.token, remembered)
        with load([port], database.token, remembered, CLIENTS, f"{setting.seed}/{seed}"):
            for _ in range(lives):
                _a_moment(remembered, dice)
                service.kill()
                figures.add("rounds", "kills")
                look()
                setting.progress(figures)
                service = _born_again(setting, database, port, dice, figures)
        service.stop()
        look()
        _nothing_of_ours(service)
    finally:
        service.kill()
    figures.remember(remembered)


def _a_moment(remembered: Remembered, dice: Random) -> None:
    """Until a random instant, or, on a machine of whatever speed, until so much was acknowledged and a little more."""
    if dice.random() < 0.5:
        time.sleep(dice.uniform(0, LONGEST))
        return
    wanted = len(remembered.acknowledged) + dice.randint(1, MOST)
    until(lambda: len(remembered.acknowledged) >= wanted, "some load")
    time.sleep(dice.uniform(0, 0.02))


def _born_again(setting: Setting, database: Database, port: int, dice: Random, figures: Figures) -> Service:
    """The next life; one in ten is cut off while it begins."""
    service = setting.start(database.url, port)
    if dice.random() < 0.1:
        time.sleep(dice.uniform(0, 0.3))
        service.kill()
        figures.add("kills")
        service = setting.start(database.url, port)
    figures.worst("restart, s", service.ready())
    return service


def _look(setting: Setting, database: Database, remembered: Remembered, figures: Figures) -> None:
    begun = time.monotonic()
    found = check(database.image(setting.folder / "image"), FACILITY, remembered.as_it_stands())
    figures.add(**{"open and recorded": found.kept, "open and not": found.lost})
    figures.worst("entries in one ledger", found.entries)
    figures.worst("looking, s", time.monotonic() - begun)


def _nothing_of_ours(service: Service) -> None:
    told = service.told()
    assert "Traceback" not in told, told[-3000:]
    assert "a request failed" not in told, told[-3000:]
