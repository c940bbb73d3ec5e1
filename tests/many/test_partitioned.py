"""A PostgreSQL spread by facility: the same tables, guards and statements, two processes, the main job."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import httpx
import pytest
from sqlalchemy import inspect, text
from sqlalchemy.exc import DBAPIError
from sqlmodel import SQLModel

from service.store import tables
from tests.ledger.scenario import FACILITY, REBUILD, rebuild, setting_up
from tests.many.partitioned import PARTITIONS, partition
from tests.many.processes import nothing_is_marked, opened, serving, sound

CODES = [f"site-{number}" for number in range(6)]


def test_every_key_and_every_unique_index_begins_with_the_facility():
    """So any table can be spread by it; the one index that does not finds a token by its secret, and is not unique."""
    for table in SQLModel.metadata.tables.values():
        assert next(iter(table.primary_key.columns)).name == "facility", table.name
        for index in table.indexes:
            first = next(iter(index.columns)).name
            assert first == "facility" or (not index.unique and index.name == "tokens_by_secret"), index.name
        assert not table.foreign_keys, "none that could lead into another partition"


@pytest.fixture
def spread(pg_store):
    partition(pg_store)
    return pg_store


def test_the_main_job_runs_on_it_through_two_processes(spread, postgresql_url):
    tokens = {code: opened(spread, {**FACILITY, "code": code, "origin": f"{code}.example/gas"}) for code in CODES}
    entries = [*setting_up(), *rebuild()]
    with serving(postgresql_url, postgresql_url) as processes:

        def work(number, code):
            told = {}
            for turn in range(0, len(entries), 6):
                url = f"{processes[(number + turn) % 2].url}/v1/facilities/{code}"
                head = {"Authorization": f"Bearer {tokens[code]}"}
                answer = httpx.post(
                    f"{url}/entries", json=entries[turn : turn + 6], headers=head, timeout=60, trust_env=False
                )
                assert answer.status_code == 201, answer.text
                told |= {one["id"]: one["seq"] for one in answer.json()["accepted"]}
            shown = httpx.get(f"{url}/rebuilds/{REBUILD}", headers=head, timeout=60, trust_env=False).json()
            due = httpx.get(f"{url}/due?as_of=2026-07-20", headers=head, timeout=60, trust_env=False).json()
            return told, shown["verdict"], due["items"][0]["anchor"]

        with ThreadPoolExecutor(len(CODES)) as pool:
            done = list(pool.map(work, range(len(CODES)), CODES))
    for code, (told, verdict, anchor) in zip(CODES, done, strict=True):
        assert (verdict, anchor) == ("conforming", "2026-07-14")
        nothing_is_marked(spread, code)
        sound(spread, code, told)
    used = _rows_in_each(spread, "entries")
    assert len(used) == PARTITIONS
    assert sum(used) == sum(len(told) + 2 for told, _, _ in done)  # with the opening and one judgement each
    assert sum(count > 0 for count in used) > 1, "the facilities lie in several partitions"
    _guarded(spread)


def _rows_in_each(store, table):
    with store.engine.connect() as connection:
        return [connection.execute(text(f"SELECT count(*) FROM {table}_{number}")).scalar() for number in range(4)]


def _guarded(store):
    """The ledger is append-only here too."""
    looked = inspect(store.engine)
    for table in tables.LEDGER:
        assert looked.get_pk_constraint(table.name)["constrained_columns"][0] == "facility"
        for statement in (f"UPDATE {table.name} SET facility = 'x'", f"DELETE FROM {table.name}"):
            with pytest.raises(DBAPIError, match="append-only"), store.writing() as tx:
                tx.execute(text(statement))
