"""Every fault in its short form; the long one is ``python -m tests.faults``."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.faults.__main__ import TRIES
from tests.faults.databases import Postgres, postgres
from tests.faults.served import Nursery, nursery
from tests.faults.setting import Setting
from tests.faults.tracing import NoTracer

ROUNDS = {"killed-sqlite": 2, "killed-postgresql": 2, "race": 4, "power-cut": 6}


@pytest.fixture(scope="module")
def births() -> Iterator[Nursery]:
    with nursery() as births:
        yield births


@pytest.fixture(scope="module")
def server() -> Iterator[Postgres]:
    """A PostgreSQL of our own: it is killed."""
    with postgres() as server:
        yield server


@pytest.mark.parametrize("name", TRIES)
def test_a_ledger_survives(name: str, tmp_path: Path, births: Nursery, request: pytest.FixtureRequest) -> None:
    mine = request.getfixturevalue("server") if name in {"killed-postgresql", "postgresql-gone", "race"} else None
    try:
        figures = TRIES[name](Setting(tmp_path, ROUNDS.get(name, 1), mine, births, cold=False, seed=7))
    except NoTracer as why:
        pytest.skip(f"{why}; the long form fails without it")
    assert figures.values
