"""A ledger to post to: ``bench`` on each engine, ``quick_bench`` on SQLite alone."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from service.store.engine import Store
from tests.ledger.bench import Bench
from tests.ledger.scenario import setting_up


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
