"""The peer that takes rows: datasette with its insert API open to everybody, over a file with two tables."""

from __future__ import annotations

import os
from typing import Any

FILE = "BENCH_INSERT_FILE"
BARE, INDEXED = "bare", "indexed"
MOST = 1_000
"""Rows a request."""


def app() -> Any:
    """The peer, as it comes but for the rows a request may hold."""
    from datasette.app import Datasette

    everybody = {"insert-row": True}
    settings = {"max_insert_rows": MOST}
    return Datasette([os.environ[FILE]], settings=settings, config={"permissions": everybody}).app()
