"""The files copied in the middle of work, log and all: what a snapshot of the disk would hold."""

from __future__ import annotations

import signal
import time

from tests.faults.clients import FACILITY, load, set_up
from tests.faults.databases import Database, sqlite
from tests.faults.invariants import check
from tests.faults.remembered import Remembered
from tests.faults.served import Service, free_port
from tests.faults.setting import Figures, Setting

CLIENTS = 8


def copied(setting: Setting) -> Figures:
    """Copied a fifth as often as there are rounds; looked at while nobody writes, so that the ledger stays small."""
    figures, remembered, port = Figures(), Remembered(), free_port()
    database = sqlite(setting.folder)
    service = setting.start(database.url, port)
    try:
        service.ready()
        set_up(port, database.token, remembered)
        for number in range(max(1, setting.rounds // 5)):
            with load([port], database.token, remembered, CLIENTS, setting.seed, number * CLIENTS):
                time.sleep(setting.dice("copy", number).uniform(0.02, 0.3))
                image, then = _copy(setting, service, database, remembered)
            found = check(image, FACILITY, then)
            figures.add("copies", **{"open and recorded": found.kept, "open and not": found.lost})
            setting.progress(figures)
        service.stop()
        check(database.url, FACILITY, remembered.as_it_stands())
    finally:
        service.kill()
    figures.remember(remembered)
    return figures


def _copy(setting: Setting, service: Service, database: Database, remembered: Remembered) -> tuple[str, Remembered]:
    """Frozen for the copy, then going on: what was acknowledged before it is in the copy."""
    service.signal(signal.SIGSTOP)
    try:
        return database.image(setting.folder / "image"), remembered.as_it_stands()
    finally:
        service.signal(signal.SIGCONT)
