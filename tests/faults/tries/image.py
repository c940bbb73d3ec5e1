"""The files copied in the middle of work, log and all: what a snapshot of the disk would hold."""

from __future__ import annotations

import signal
import time

from tests.faults.clients import FACILITY, load, set_up
from tests.faults.databases import sqlite
from tests.faults.invariants import check
from tests.faults.remembered import Remembered
from tests.faults.served import free_port
from tests.faults.setting import Figures, Setting

CLIENTS = 8


def copied(setting: Setting) -> Figures:
    """Frozen for the copy, then going on: what was acknowledged before it is in the copy."""
    figures, remembered, port, dice = Figures(), Remembered(), free_port(), setting.dice("copy")
    database = sqlite(setting.folder)
    service = setting.start(database.url, port)
    try:
        service.ready()
        set_up(port, database.token, remembered)
        with load([port], database.token, remembered, CLIENTS, setting.seed):
            for _ in range(setting.rounds):
                time.sleep(dice.uniform(0.02, 0.3))
                service.signal(signal.SIGSTOP)
                try:
                    then = remembered.as_it_stands()
                    image = database.image(setting.folder / "image")
                finally:
                    service.signal(signal.SIGCONT)
                found = check(image, FACILITY, then)
                figures.add("copies", **{"open and recorded": found.kept, "open and not": found.lost})
                setting.progress(figures)
        service.stop()
        check(database.url, FACILITY, remembered.as_it_stands())
    finally:
        service.kill()
    figures.remember(remembered)
    return figures
