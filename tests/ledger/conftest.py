"""A ledger to post to: ``bench`` on each engine, ``quick_bench`` on SQLite alone."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest
from sqlalchemy import Engine, create_engine, text
from sqlmodel import SQLModel

from service.store.engine import Store
from tests.ledger.bench import Bench
from tests.ledger.scenario import setting_up


@pytest.fixture(scope="session")
def emptied(postgresql_server: str, postgresql_template: str) -> Iterator[Engine]:
    """One PostgreSQL database for all tests of this room: emptying it is ten times as fast as making another."""
    on_server = create_engine(postgresql_server.format(database="postgres"), isolation_level="AUTOCOMMIT")
    with on_server.connect() as connection:
        connection.execute(text(f'CREATE DATABASE "ledger_tests" TEMPLATE "{postgresql_template}"'))
    on_server.dispose()
    engine = create_engine(postgresql_server.format(database="ledger_tests"))
    yield engine
    engine.dispose()


@pytest.fixture
def postgresql_url(emptied: Engine) -> str:
    """A database in which nothing is recorded yet; the guards look away while it is emptied."""
    with emptied.begin() as connection:
        connection.execute(text("SET LOCAL session_replication_role = replica"))
        for table in SQLModel.metadata.tables.values():
            connection.execute(table.delete())
    return emptied.url.render_as_string(hide_password=False)


@pytest.fixture
def bench(store: Store) -> Bench:
    """A facility that has registered its assets, procedure and instruments."""
    bench = Bench(store)
    bench.post(setting_up())
    return bench


@pytest.fixture
def quick_bench(sqlite_url: str, open_store: Callable[[str], Store]) -> Bench:
    """The same on SQLite, for what no engine decides."""
    bench = Bench(open_store(sqlite_url))
    bench.post(setting_up())
    return bench
