"""``migrate`` is the only way a database is made: what it makes is what the models say, guards included."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.runtime.migration import MigrationContext
from sqlalchemy import inspect, text
from sqlmodel import SQLModel

from service.store import tables
from service.store.migrate import is_current, migrate

ROOT = Path(__file__).parents[2]
ON_SQLITE = {f"{table}_no_{event}" for table in ("entries", "nodes") for event in ("update", "delete", "replace")}
ON_POSTGRESQL = {f"{table}_no_{event}" for table in ("entries", "nodes") for event in ("update", "delete", "truncate")}


def triggers(store):
    query = (
        "SELECT name FROM sqlite_master WHERE type = 'trigger'"
        if store.is_sqlite
        else "SELECT tgname FROM pg_trigger WHERE NOT tgisinternal AND tgenabled = 'O'"
    )
    with store.engine.connect() as connection:
        return set(connection.execute(text(query)).scalars())


def made(store):
    """Everything a migration makes, as the database tells it."""
    look = inspect(store.engine)
    return {
        name: (
            [(column["name"], str(column["type"]), column["nullable"]) for column in look.get_columns(name)],
            look.get_pk_constraint(name)["constrained_columns"],
            sorted(
                (index["name"], tuple(index["column_names"]), bool(index["unique"])) for index in look.get_indexes(name)
            ),
        )
        for name in look.get_table_names()
    }, triggers(store)


@pytest.fixture
def empty_url(database_url, tmp_path, open_store):
    """A database in which nothing was made yet, on each engine."""
    if database_url.startswith("sqlite"):
        return f"sqlite:///{tmp_path / 'empty.sqlite3'}"
    store = open_store(database_url)
    with store.writing() as tx:
        tx.execute(text("DROP SCHEMA public CASCADE"))
        tx.execute(text("CREATE SCHEMA public"))
    store.close()
    return database_url


def differences(store):
    """What a new migration would have to do."""
    with store.engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True, "compare_server_default": True})
        return compare_metadata(context, SQLModel.metadata)


def test_the_tables_made_are_those_of_the_models(store):
    assert differences(store) == []


def test_every_model_is_a_table_and_every_table_a_model(store):
    assert set(inspect(store.engine).get_table_names()) == set(SQLModel.metadata.tables) | {"alembic_version"}


def test_the_guards_are_there(store):
    assert triggers(store) == (ON_SQLITE if store.is_sqlite else ON_POSTGRESQL)
    assert {table.name for table in tables.LEDGER} == {"entries", "nodes"}


def test_every_key_begins_with_the_facility(store):
    look = inspect(store.engine)
    for name in SQLModel.metadata.tables:
        assert look.get_pk_constraint(name)["constrained_columns"][0] == "facility"
        for index in look.get_indexes(name):
            assert index["column_names"][0] == "facility" or name == "tokens", index["name"]


def test_places_and_times_have_room_for_a_century(store):
    look = inspect(store.engine)
    for name in SQLModel.metadata.tables:
        for column in look.get_columns(name):
            if column["name"] in {"seq", "first_seq", "position", "size"} or column["name"].endswith("_us"):
                assert str(column["type"]) == "BIGINT", (name, column["name"])


def test_views_are_all_that_is_neither_ledger_nor_operational():
    beside = {"log_keys", "witnesses", "cosignatures", "attachments", "attachment_pieces"}
    operational = {"heads", "tokens"} | beside
    named = {table.name for table in (*tables.LEDGER, *tables.VIEWS)} | operational
    assert set(SQLModel.metadata.tables) == named


def test_migrating_twice_is_harmless(store):
    before = made(store)
    migrate(store)
    assert made(store) == before
    assert is_current(store)


def test_a_database_that_was_never_migrated_is_not_current(empty_url, open_store):
    store = open_store(empty_url)
    assert not is_current(store)
    migrate(store)
    assert is_current(store)


def test_a_database_that_does_not_answer_is_not_current(open_store, tmp_path):
    assert not is_current(open_store("postgresql://nobody@127.0.0.1:1/nothing"))
    assert not is_current(open_store(f"sqlite:///{tmp_path}/no/such/folder/x.sqlite3"))


def test_several_processes_and_threads_that_migrate_at_once_make_one_database(empty_url, open_store):
    program = (
        "import sys\n"
        "from concurrent.futures import ThreadPoolExecutor\n"
        "from service.store.engine import Store\n"
        "from service.store.migrate import migrate, is_current\n"
        "sys.stdin.readline()\n"
        "stores = [Store(sys.argv[1]) for _ in range(2)]\n"
        "list(ThreadPoolExecutor(2).map(migrate, stores))\n"
        "sys.exit(0 if all(map(is_current, stores)) else 1)\n"
    )
    started = [
        subprocess.Popen(
            [sys.executable, "-c", program, empty_url],
            cwd=ROOT,
            stdin=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        for _ in range(3)
    ]
    for one in started:
        one.stdin.write("now\n")
        one.stdin.flush()
    errors = [one.communicate(timeout=60)[1] for one in started]
    assert [one.returncode for one in started] == [0, 0, 0], errors
    store = open_store(empty_url)
    assert differences(store) == []
    assert triggers(store) == (ON_SQLITE if store.is_sqlite else ON_POSTGRESQL)
