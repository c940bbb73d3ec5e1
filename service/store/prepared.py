"""Statements compiled once for each engine: building and keying one anew costs more than running it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from functools import cache
from typing import Any, cast

from sqlalchemy import Connection, CursorResult, Row, bindparam
from sqlalchemy.sql.base import Executable


class Prepared:
    """A statement whose parameters are all ``bindparam``; values go to the driver as they are, untouched by types."""

    def __init__(self, statement: Executable) -> None:
        self._statement = statement
        self._texts: dict[str, tuple[str, list[str] | None, dict[str, Any]]] = {}

    def run(self, tx: Connection, **values: Any) -> CursorResult[Any]:
        """Run it."""
        text, order, own = self._text(tx)
        all_ = {**own, **values}
        return tx.exec_driver_sql(text, tuple(all_[name] for name in order) if order is not None else all_)

    def run_many(self, tx: Connection, rows: Sequence[Mapping[str, Any]]) -> None:
        """Run it for each row."""
        text, order, _ = self._text(tx)
        many: list[Any] = list(rows) if order is None else [tuple(row[name] for name in order) for row in rows]
        tx.exec_driver_sql(text, many)

    def _text(self, tx: Connection) -> tuple[str, list[str] | None, dict[str, Any]]:
        found = self._texts.get(tx.dialect.name)
        if found is None:
            compiled = cast("Any", self._statement).compile(dialect=tx.dialect)
            own = {name: value for name, value in compiled.params.items() if value is not None}
            found = self._texts[tx.dialect.name] = (str(compiled), compiled.positiontup, own)
        return found


MOST_IN_LIST = 500
"""Values in one list of a statement; longer ones are asked in turns."""


def run_in(
    tx: Connection, build: Callable[[list[Any]], Executable], facility: str, wanted: Iterable[Any]
) -> Iterator[Row[Any]]:
    """Rows of a statement with a list in it: ``build`` gets the list's parameters, and is called once a length.

    The statement names no order: SQLite would walk the whole facility by its key to give one.
    """
    values = list(dict.fromkeys(wanted))
    for start in range(0, len(values), MOST_IN_LIST):
        chunk = values[start : start + MOST_IN_LIST]
        named = {f"v{index}": value for index, value in enumerate(chunk)}
        yield from _with_list(build, len(chunk)).run(tx, facility=facility, **named)


@cache
def _with_list(build: Callable[[list[Any]], Executable], count: int) -> Prepared:
    return Prepared(build([bindparam(f"v{index}") for index in range(count)]))
