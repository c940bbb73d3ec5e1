"""Trees to draw from, and the published vectors."""

import json
from pathlib import Path
from typing import Any

import pytest

from tests.merkle.stored import StoredTree


@pytest.fixture(scope="session")
def vectors() -> dict[str, Any]:
    return json.loads(Path(__file__).with_name("vectors.json").read_text(encoding="ascii"))


@pytest.fixture(scope="session")
def entries() -> list[bytes]:
    """Seventy entries, no two alike: past 64, so that every carry up to the seventh level happens."""
    return [b"entry %d" % number for number in range(70)]


@pytest.fixture(scope="session")
def stored(entries: list[bytes]) -> StoredTree:
    """The tree over the seventy: `roots[n]` is the root it had at size n."""
    return StoredTree(entries)


@pytest.fixture(scope="session")
def big() -> StoredTree:
    """Five thousand entries, the number of each as its bytes."""
    return StoredTree(b"%d" % number for number in range(5000))
