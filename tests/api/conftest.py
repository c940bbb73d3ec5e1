"""The service under test: over SQLite, over both engines, and with the scenario's register in place."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
import structlog

from tests.api import scenario
from tests.api.desk import Desk, running


@pytest.fixture(autouse=True, scope="session")
def plain_log() -> Iterator[None]:
    """The log in lines, as ``serve`` writes it; left to itself it paints tracebacks, seconds each."""
    structlog.configure(processors=[structlog.processors.format_exc_info, structlog.processors.JSONRenderer()])
    yield
    structlog.reset_defaults()


@pytest.fixture
def empty_desk(sqlite_url: str) -> Iterator[Desk]:
    """A facility with nothing but its opening."""
    with running(sqlite_url) as desk:
        desk.open()
        yield desk


@pytest.fixture
def desk(empty_desk: Desk) -> Desk:
    """A facility whose assets, instruments and procedure are registered."""
    empty_desk.record(*scenario.registered())
    return empty_desk


@pytest.fixture(scope="module")
def quiet_desk(sqlite_template: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Desk]:
    """One for all tests of a file that leave nothing behind: reads and refusals."""
    path = shutil.copy(sqlite_template, tmp_path_factory.mktemp("quiet") / "ledger.sqlite3")
    with running(f"sqlite:///{path}") as desk:
        desk.open()
        desk.record(*scenario.registered())
        yield desk


@pytest.fixture
def either_desk(database_url: str) -> Iterator[Desk]:
    """The same on each engine."""
    with running(database_url) as desk:
        desk.open()
        desk.record(*scenario.registered())
        yield desk
