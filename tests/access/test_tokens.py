"""Tokens: 256 random bits, shown once, kept as a hash; who is behind one, in which facility, for what."""

from __future__ import annotations

import base64
import hashlib
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy import select, update

from service.access.tokens import Caller, caller, new_token
from service.entries.catalogue import SCOPES
from service.entries.facility import FacilityOpened
from service.entries.refusals import NotAllowed, Unknown, Unproven
from service.entries.words import microseconds
from service.ledger.append import open_facility
from service.store.engine import Store
from service.store.tables import tokens

NOW = datetime(2026, 6, 1, 12, tzinfo=UTC)


@pytest.fixture
def house(store: Store) -> Store:
    """Two facilities."""
    for code in ("tidewater", "uplands"):
        origin = f"{code}.example/log"
        opened = FacilityOpened(code=code, name=code.title(), time_zone="Pacific/Auckland", origin=origin)
        open_facility(store, opened, lambda: NOW)
    return store


def who(store: Store, token: str, facility: str = "tidewater", at: datetime = NOW) -> Caller:
    with store.reading() as tx:
        return caller(tx, facility, f"Bearer {token}", at)


def test_a_token_opens_its_facility_for_its_scopes(house: Store) -> None:
    found = who(house, new_token(house, ["tidewater"], ["record", "read"], NOW))
    assert (found.facility, found.scopes) == ("tidewater", {"read", "record"})
    found.needs("read")
    with pytest.raises(NotAllowed) as refused:
        found.needs("admin")
    assert refused.value.scope == "admin"


def test_one_token_may_open_several_facilities_and_no_others(house: Store) -> None:
    both = new_token(house, ["tidewater", "uplands"], ["read"], NOW)
    assert who(house, both, "uplands").credential == who(house, both, "tidewater").credential
    with pytest.raises(Unknown):
        who(house, new_token(house, ["tidewater"], SCOPES, NOW), "uplands")


def test_a_secret_has_256_random_bits_and_no_two_are_the_same(house: Store) -> None:
    secrets = {new_token(house, ["tidewater"], ["read"], NOW) for _ in range(20)}
    assert len(secrets) == 20
    for secret in secrets:
        assert secret.startswith("wmk_")
        assert len(base64.urlsafe_b64decode(secret.removeprefix("wmk_") + "=")) == 32


def test_only_the_hash_of_a_secret_is_kept(house: Store) -> None:
    secret = new_token(house, ["tidewater"], ["read"], NOW)
    with house.reading() as tx:
        (row,) = tx.execute(select(tokens))
    assert row.secret_sha256 == hashlib.sha256(secret.encode()).hexdigest()
    assert not any(secret.removeprefix("wmk_") in str(value) for value in row)


def test_no_secret_is_in_the_database_file(sqlite_url: str) -> None:
    store = Store(sqlite_url)
    opened = FacilityOpened(code="tidewater", name="T", time_zone="Pacific/Auckland", origin="tidewater.example/log")
    open_facility(store, opened, lambda: NOW)
    secret = new_token(store, ["tidewater"], ["read"], NOW)
    store.close()
    kept = b"".join(path.read_bytes() for path in _files(sqlite_url))
    assert hashlib.sha256(secret.encode()).hexdigest().encode() in kept, "this is where it would be"
    assert secret.removeprefix("wmk_").encode() not in kept


def _files(url: str) -> list[Path]:
    path = Path(url.removeprefix("sqlite:///"))
    return sorted(path.parent.glob(f"{path.name}*"))


@pytest.mark.parametrize("header", [None, "", "Bearer", "Bearer   ", "Basic abc", "Token wmk_x"])
def test_without_a_bearer_token_nothing_is_proven(house: Store, header: str | None) -> None:
    with house.reading() as tx, pytest.raises(Unproven) as refused:
        caller(tx, "tidewater", header, NOW)
    assert refused.value.code == "unproven"


def test_an_unknown_token_and_one_that_lost_a_letter_are_not_valid(house: Store) -> None:
    secret = new_token(house, ["tidewater"], ["read"], NOW)
    for wrong in ("wmk_" + "A" * 43, secret[:-1], secret.swapcase(), hashlib.sha256(secret.encode()).hexdigest()):
        with pytest.raises(Unproven) as refused:
            who(house, wrong)
        assert refused.value.code == "invalid_token"


def test_a_token_ends_at_its_last_instant_and_at_once_when_revoked(house: Store) -> None:
    until = NOW + timedelta(days=1)
    secret = new_token(house, ["tidewater"], ["read"], NOW)
    with house.writing() as tx:
        tx.execute(update(tokens).values(expires_us=microseconds(until)))
    assert who(house, secret, at=until - timedelta(microseconds=1)).facility == "tidewater"
    with pytest.raises(Unproven):
        who(house, secret, at=until)
    with house.writing() as tx:
        tx.execute(update(tokens).values(expires_us=None, revoked_us=microseconds(NOW)))
    with pytest.raises(Unproven):
        who(house, secret)


def test_two_tokens_live_side_by_side_while_one_takes_over(house: Store) -> None:
    old, new = (new_token(house, ["tidewater"], ["read"], NOW) for _ in range(2))
    assert who(house, old).credential != who(house, new).credential


def test_for_a_facility_or_a_scope_that_is_not_there_no_token_is_made(house: Store) -> None:
    with pytest.raises(Unknown) as refused:
        new_token(house, ["tidewater", "nowhere"], ["read"], NOW)
    assert refused.value.code == "unknown_facility"
    with pytest.raises(Unknown) as refused:
        new_token(house, ["tidewater"], ["write"], NOW)  # type: ignore[list-item]
    assert refused.value.code == "unknown_scope"
    with house.reading() as tx:
        assert tx.execute(select(tokens)).all() == []
