"""Do harm for real: ``python -m tests.faults [--rounds 200] [--only WORD] [--quick]``, from the root of the checkout."""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
import traceback
from collections.abc import Callable
from pathlib import Path

from tests.faults.databases import postgres
from tests.faults.served import nursery
from tests.faults.setting import Figures, Setting
from tests.faults.tries import clock, disk, image, killed, line_cut, power, race, server_gone

QUICK = 10
"""Rounds of the short form."""
TRIES: dict[str, Callable[[Setting], Figures]] = {
    "killed-sqlite": killed.on_sqlite,
    "killed-postgresql": killed.on_postgresql,
    "postgresql-gone": server_gone.gone,
    "disk-full": disk.full,
    "disk-failing": disk.failing,
    "clock-set-back": clock.set_back,
    "race": race.raced,
    "power-cut": power.cut,
    "copy": image.copied,
    "line-cut": line_cut.cut,
}


def arguments() -> argparse.Namespace:
    """What was asked for."""
    parser = argparse.ArgumentParser(prog="python -m tests.faults", description="Faults, tried for real.")
    parser.add_argument("--rounds", type=int, default=200, help="rounds of what is done in rounds")
    parser.add_argument("--quick", action="store_true", help=f"{QUICK} rounds")
    parser.add_argument("--only", action="append", default=[], metavar="WORD", help=f"of {', '.join(TRIES)}")
    parser.add_argument("--seed", type=int, default=int(time.time()), help="of the dice; printed, to throw them again")
    return parser.parse_args()


def main() -> int:
    """Every try in turn; the number of those that failed."""
    asked, failed = arguments(), 0
    wanted = {name: try_ for name, try_ in TRIES.items() if not asked.only or any(one in name for one in asked.only)}
    _say(f"seed {asked.seed}")
    with postgres() as server, nursery() as births:
        for name, try_ in wanted.items():
            begun = time.monotonic()
            with tempfile.TemporaryDirectory(prefix="witnessmark-faults-") as folder:
                setting = Setting(
                    Path(folder),
                    QUICK if asked.quick else asked.rounds,
                    server,
                    births,
                    seed=asked.seed,
                    progress=_tell,
                )
                try:
                    told = f"{name}: {try_(setting)}"
                except Exception:  # noqa: BLE001 - the next try is of something else
                    failed += 1
                    told = f"{name} FAILED\n{traceback.format_exc()}"
            _say(f"{told}, in {time.monotonic() - begun:.0f} s")
    return failed


def _say(line: str) -> None:
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


def _tell(figures: Figures) -> None:
    """Where it stands, for who watches."""
    if sys.stderr.isatty():
        sys.stderr.write(f"\r\x1b[K{str(figures)[:100]}\r")


if __name__ == "__main__":
    sys.exit(main())
