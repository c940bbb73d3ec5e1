"""The builders as fixtures, for tests that would rather be handed them."""

from collections.abc import Callable
from typing import Any

import pytest

from service.checks.job import Fact, InstrumentRecord, Job
from tests.checks import building


@pytest.fixture(scope="session")
def fact() -> Callable[..., Fact[Any]]:
    return building.fact


@pytest.fixture(scope="session")
def job() -> Callable[..., Job]:
    return building.job


@pytest.fixture(scope="session")
def instrument() -> Callable[..., InstrumentRecord]:
    return building.instrument
