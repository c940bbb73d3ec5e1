"""A ledger whose log is signed: behind the service on each engine, and as an export to play with."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import structlog

from service.ledger.keys import enrol
from service.store.engine import Store
from tests.api import scenario
from tests.api.desk import Desk, running
from tests.ledger.bench import Bench
from tests.ledger.scenario import corrected, rebuild, setting_up
from tests.log.kept import Kept


@pytest.fixture(autouse=True, scope="session")
def plain_log() -> Iterator[None]:
    """The log in lines, as ``serve`` writes it."""
    structlog.configure(processors=[structlog.processors.format_exc_info, structlog.processors.JSONRenderer()])
    yield
    structlog.reset_defaults()


@pytest.fixture
def key_file(tmp_path: Path) -> Path:
    return tmp_path / "witnessmark.key"


def opened(desk: Desk, key_file: Path) -> Desk:
    desk.open()
    enrol(desk.ledger.store, key_file, desk.facility, desk.clock())
    desk.record(*scenario.registered())
    return desk


@pytest.fixture
def signed_desk(database_url: str, key_file: Path) -> Iterator[Desk]:
    """The service, on each engine, over a facility with its register and a key."""
    with running(database_url, signing_key_file=key_file) as desk:
        yield opened(desk, key_file)


@pytest.fixture
def quick_desk(sqlite_url: str, key_file: Path) -> Iterator[Desk]:
    """The same on SQLite, for what no engine decides."""
    with running(sqlite_url, signing_key_file=key_file) as desk:
        yield opened(desk, key_file)


@pytest.fixture
def kept(store: Store, tmp_path: Path) -> Kept:
    """A ledger with a rebuild, judged twice, on each engine."""
    return filled(Kept(Bench(store), tmp_path))


@pytest.fixture
def quick_kept(sqlite_url: str, open_store: Callable[[str], Store], tmp_path: Path) -> Kept:
    """The same on SQLite."""
    return filled(Kept(Bench(open_store(sqlite_url)), tmp_path))


@pytest.fixture(scope="module")
def whole(sqlite_template: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Kept]:
    """The same, one for all tests of a file that leave the ledger as it is."""
    folder = tmp_path_factory.mktemp("whole")
    store = Store(f"sqlite:///{shutil.copy(sqlite_template, folder / 'ledger.sqlite3')}")
    yield filled(Kept(Bench(store), folder))
    store.close()


def filled(kept: Kept) -> Kept:
    work = rebuild()
    kept.bench.post(setting_up())
    kept.bench.post(work)
    step = next(one for one in work if one["type"] == "step.done")
    kept.bench.post(corrected(step["id"], "10:47", withdrawn=True))
    return kept
