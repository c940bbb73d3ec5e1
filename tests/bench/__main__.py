"""Run the benchmark, from the root of the checkout: ``python -m tests.bench [--quick] [--only NAME]``.

Every file in ``rows`` is a row; to add one, add a file. See ``frame`` for how rounds and figures are made.
"""

from __future__ import annotations

import argparse
import importlib
import os
import pkgutil
import platform
import sys
import tempfile
import time
from pathlib import Path

from tests.bench.frame import LEAST_ROUNDS, Measured, Row, Setting, figure_lines, measure, table

_ROWS = "tests.bench.rows"


def rows(wanted: list[str]) -> list[Row]:
    """The rows whose name holds one of the words given; all of them if none is."""
    places = importlib.import_module(_ROWS).__path__
    names = sorted(module.name for module in pkgutil.iter_modules(places))
    found: list[Row] = [importlib.import_module(f"{_ROWS}.{name}").ROW for name in names]
    return [row for row in found if not wanted or any(word in row.name for word in wanted)]


def arguments() -> argparse.Namespace:
    """What was asked for."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description="Ratios within one run, against peers.")
    parser.add_argument("--quick", action="store_true", help="the short form: shorter samples")
    parser.add_argument("--rounds", type=int, default=LEAST_ROUNDS, help=f"rounds that count, at least {LEAST_ROUNDS}")
    parser.add_argument("--only", action="append", default=[], metavar="WORD", help="rows whose name holds the word")
    parser.add_argument(
        "--million",
        action="store_true",
        help="the largest sizes too: 1,000,000 assets due, exports of 1,000,000 entries, proofs among 10,000,000",
    )
    parser.add_argument("--folder", type=Path, help="on the disk to measure; default: the system's temporary folder")
    return parser.parse_args()


def main() -> None:
    """Run, and print the tables as they come and all figures together at the end."""
    asked, begun, done = arguments(), time.monotonic(), list[Measured]()
    rounds = max(asked.rounds, LEAST_ROUNDS)
    _say(f"Python {platform.python_version()}, {os.cpu_count()} cores, {rounds} rounds. Ratios within this run only.\n")
    for row in rows(asked.only):
        with tempfile.TemporaryDirectory(prefix="witnessmark-bench-", dir=asked.folder) as folder:
            setting = Setting(Path(folder), asked.quick, asked.million)
            done.append(measure(row, setting, rounds, _progress))
        _say(table(done[-1]) + "\n")
    _say("\n".join(["All figures", *(line for one in done for line in figure_lines(one))]))
    _say(f"\n{time.monotonic() - begun:.0f} s in all.")


def _say(text: str) -> None:
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def _progress(text: str) -> None:
    if sys.stderr.isatty():
        sys.stderr.write(f"\r\033[K{text}\r")
    else:
        sys.stderr.write(f"{text}\n")


if __name__ == "__main__":
    main()
