"""A PostgreSQL that does not answer is given up, not waited for."""

from __future__ import annotations

import socket

import pytest
from sqlalchemy.exc import OperationalError

from service.store import engine
from service.store.engine import Store


@pytest.fixture
def silent() -> socket.socket:
    """Takes connections and says nothing, as a host does that hangs, or one behind a wall that swallows packets."""
    with socket.create_server(("127.0.0.1", 0)) as listening:
        yield listening


def test_one_that_says_nothing_is_given_up(silent: socket.socket, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(engine._TO_POSTGRESQL, "connect_timeout", "2")  # the shortest that libpq knows
    store = Store(f"postgresql://nobody@127.0.0.1:{silent.getsockname()[1]}/nothing")
    with pytest.raises(OperationalError, match="timeout"), store.reading():
        pass
    store.close()


def test_what_the_address_says_goes_before(silent: socket.socket, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(engine._TO_POSTGRESQL, "connect_timeout", "300")
    store = Store(f"postgresql://nobody@127.0.0.1:{silent.getsockname()[1]}/nothing?connect_timeout=2")
    with pytest.raises(OperationalError, match="timeout"), store.reading():
        pass
    store.close()


def test_a_connection_gives_up_on_a_host_that_has_dropped_off(postgresql_url: str) -> None:
    store = Store(postgresql_url)
    with store.reading() as tx:
        told = tx.connection.dbapi_connection.info.get_parameters()
    store.close()
    assert {name: told[name] for name in ("keepalives_idle", "tcp_user_timeout")} == {
        "keepalives_idle": "10",
        "tcp_user_timeout": "10000",
    }
