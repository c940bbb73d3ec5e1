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
    parser.add_argument("--quick", action="store_true", help="ten rounds")
    parser.add_argument("--only", action="append", default=[], metavar="WORD", help=f"of {', '.join(TRIES)}")
    parser.add_argument("--seed", type=int, default=int(time.time()), help="of the dice; printed, to try the same again")
    return parser.parse_args()


def main() -> int:
    """Every try in turn; the number of those that failed."""
    asked, failed = arguments(), 0
    wanted = {name: try_ for name, try_ in TRIES.items() if not asked.only or any(one in name for one in asked.only)}
    with tempfile.TemporaryDirectory(prefix="witnessmark-faults-") as folder, postgres() as server, nursery() as births:
        setting = Setting(Path(folder), 10 if asked.quick else asked.rounds, server, births, seed=asked.seed)
        print(f"seed {asked.seed}", flush=True)
        for name, try_ in wanted.items():
            begun = time.monotonic()
            try:
                print(f"{name}: {try_(setting)}, in {time.monotonic() - begun:.0f} s", flush=True)
            except Exception:  # noqa: BLE001 - the next try is of something else
                failed += 1
                print(f"{name} FAILED after {time.monotonic() - begun:.0f} s\n{traceback.format_exc()}", flush=True)
    return failed


if __name__ == "__main__":
    sys.exit(main())
