"""Many rows in one statement: stepping through a statement for each row, triggers and all, costs more than the row."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import chain
from operator import itemgetter
from typing import Any, Final

from sqlalchemy import Connection, Table, bindparam, insert

from service.store.prepared import Prepared

AT_A_STROKE: Final = 50


class Rows:
    """New rows of a table, each with all its columns."""

    def __init__(self, table: Table) -> None:
        names = [column.name for column in table.columns]
        self._one = Prepared(insert(table))
        self._named = [f"{name}_{number}" for number in range(AT_A_STROKE) for name in names]
        rows: list[dict[str, Any]] = [
            {name: bindparam(f"{name}_{number}") for name in names} for number in range(AT_A_STROKE)
        ]
        self._many = Prepared(insert(table).values(rows))
        self._values = itemgetter(*names)

    def write(self, tx: Connection, rows: Sequence[Mapping[str, Any]]) -> None:
        """Insert them, in their order."""
        whole = len(rows) - len(rows) % AT_A_STROKE
        for start in range(0, whole, AT_A_STROKE):
            values = chain.from_iterable(map(self._values, rows[start : start + AT_A_STROKE]))
            self._many.run(tx, **dict(zip(self._named, values, strict=True)))
        if rows[whole:]:
            self._one.run_many(tx, rows[whole:])
