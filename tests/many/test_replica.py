"""Questions answered by a replica that follows the database: how much it knows is said, and who needs more gets more."""

from __future__ import annotations

import pytest

from service.store.engine import Store
from tests.api.desk import running
from tests.ledger.bench import Clock
from tests.ledger.scenario import REBUILD, entry, rebuild, setting_up
from tests.many.processes import opened, serving, sound
from tests.many.replica import standby_of

SIZE = "Ledger-Size"


def reading(number):
    return entry("meter.read", "09:00", {"meter": "hours", "reading": str(number)}, asset="AIR1", day="2026-06-01")


@pytest.fixture
def standby(postgresql_url):
    with standby_of(postgresql_url) as standby:
        yield standby


def test_what_a_service_has_told_it_shows_though_its_replica_is_behind(postgresql_url, pg_store, standby):
    assert standby.stands()
    token = opened(pg_store)
    with (
        serving(postgresql_url, read_database_url=standby.url) as (process,),
        process.client(token) as client,
    ):
        size = client.post("/entries", json=[*setting_up(), *rebuild()]).json()["size"]
        fresh = client.get(f"/rebuilds/{REBUILD}", headers={SIZE: str(size)})
        assert (fresh.status_code, fresh.json()["verdict"], fresh.headers[SIZE]) == (200, "conforming", str(size))
        standby.hold()
        more = client.post("/entries", json=reading(3)).json()["size"]
        old = client.get("/entries?type=meter.read")
        assert (old.json()["items"], int(old.headers[SIZE])) == ([], size), "a moment behind, and it says so"
        new = client.get("/entries?type=meter.read", headers={SIZE: str(more)})
        assert (len(new.json()["items"]), int(new.headers[SIZE])) == (1, more), "then the database itself answers"
        standby.go_on()
        wrong = client.get("/entries", headers={SIZE: "all"})
        assert (wrong.status_code, wrong.json()["errors"][0]["pointer"]) == (422, f"/header/{SIZE}")
        standby.server.stop()
        left = client.get("/due", headers={SIZE: str(more)})
        assert (left.status_code, int(left.headers[SIZE])) == (200, more), "a replica that is gone is done without"
    sound(pg_store)


def test_without_a_replica_an_answer_is_the_database_s_own_and_says_no_size(sqlite_url):
    with running(sqlite_url, Clock()) as desk:
        desk.open()
        assert SIZE not in desk.get("/entries", headers={SIZE: "1"}).headers


def test_an_sqlite_file_has_no_replica(sqlite_url):
    with pytest.raises(Exception, match="no replica"):
        Store(sqlite_url, "postgresql://nobody@127.0.0.1:1/nothing")
