"""A real service on loopback with one facility in it, for as long as the room is tested."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import httpx
import pytest

from service.cli.demo import prepared, serving
from service.entries.facility import FacilityOpened

FACILITY = FacilityOpened(
    code="lower-fell", name="Lower Fell Infirmary", time_zone="Europe/London", origin="lower-fell.example/gas"
)


class Served(NamedTuple):
    url: str
    facility: str
    tokens: dict[str, str]


@pytest.fixture(scope="session")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    url = f"sqlite:///{tmp_path_factory.mktemp('field')}/ledger.sqlite3"
    tokens = prepared(url, FACILITY)
    with serving(url) as address:
        yield Served(address, FACILITY.code, tokens)


@pytest.fixture
def http() -> Iterator[httpx.Client]:
    with httpx.Client(trust_env=False, timeout=30) as client:
        yield client
