"""A connection that is kept ready carries nothing from one transaction into the next."""

from __future__ import annotations

import pytest
from sqlalchemy import text
from sqlalchemy.exc import DBAPIError, IntegrityError

from service.store.engine import Store
from service.store.prepared import execute

ADD = "INSERT INTO heads (facility, size, root, recorded_us) VALUES ('ferrow', 0, x'00', 0)"
COUNT = "SELECT count(*) FROM heads"


@pytest.fixture
def store(sqlite_url: str):
    made = Store(sqlite_url)
    yield made
    made.close()


def heads(store: Store) -> int:
    with store.reading() as tx:
        return tx.execute(text(COUNT)).scalar_one()


def add_twice(store: Store) -> None:
    with store.writing() as tx:
        execute(tx, ADD)
        execute(tx, ADD)


def test_a_transaction_that_fails_leaves_nothing_and_the_next_one_works(store):
    with pytest.raises(IntegrityError):
        add_twice(store)
    assert heads(store) == 0
    with store.writing() as tx:
        execute(tx, ADD)
    assert heads(store) == 1


def test_a_reader_sees_one_state_however_often_it_asks(store):
    with store.reading() as tx:
        before = tx.execute(text(COUNT)).scalar_one()
        with store.writing() as other:
            execute(other, ADD)
        assert tx.execute(text(COUNT)).scalar_one() == before
    assert heads(store) == before + 1


def test_what_the_driver_refuses_is_the_engines_kind_of_error(store):
    with store.writing() as tx:
        execute(tx, ADD)
    with pytest.raises(IntegrityError), store.writing() as tx:
        execute(tx, ADD)
    with pytest.raises(DBAPIError, match="no such table"), store.reading() as tx:
        execute(tx, "SELECT 1 FROM nowhere")
    assert heads(store) == 1
