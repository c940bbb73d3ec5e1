"""One PostgreSQL database for each test here: processes of their own write to it."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from service.store.engine import Store


@pytest.fixture
def pg_store(postgresql_url: str, open_store: Callable[[str], Store]) -> Store:
    """The database as the test looks into it."""
    return open_store(postgresql_url)
