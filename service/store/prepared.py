"""Statements compiled once for each engine and handed to the driver itself.

Building and keying a statement anew costs more than running it, and so does the bookkeeping of a result. Within a
transaction that ``Store`` has begun, what is prepared here goes to the driver's own connection and comes back as plain
named tuples.
"""

from __future__ import annotations

from collections import namedtuple
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from functools import cache
from typing import Any, NoReturn, cast

from sqlalchemy import Connection, bindparam
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.exc import DBAPIError
from sqlalchemy.sql.base import Executable

_DIALECTS: dict[str, Any] = {
    "sqlite": sqlite.dialect(paramstyle="qmark"),
    "postgresql": cast("Any", postgresql.psycopg).dialect(paramstyle="format"),
}


class _Text:
    """A statement as an engine's driver takes it: its text, the names of its parameters in order, its rows' shape."""

    def __init__(self, statement: Executable, engine: str) -> None:
        compiled = cast("Any", statement).compile(dialect=_DIALECTS[engine])
        self.text = str(compiled)
        own = {name: value for name, value in compiled.params.items() if value is not None}
        self.order: list[str] = compiled.positiontup or []
        self.own = own if own and not own.keys().isdisjoint(self.order) else {}
        self.shape: Callable[[Iterable[Any]], Any] | None = None

    def rows(self, cursor: Any) -> list[Any]:
        """What came back."""
        if self.shape is None:
            names = [column[0] for column in cursor.description]
            self.shape = cast("Any", namedtuple)("Row", names, rename=True)._make  # noqa: PYI024 - the statement names them
        return list(map(self.shape, cursor.fetchall()))


class Prepared:
    """A statement whose parameters are all ``bindparam``; values go to the driver as they are, untouched by types."""

    def __init__(self, statement: Executable) -> None:
        self._statement = statement
        self._texts: dict[str, _Text] = {}

    def run(self, tx: Connection, **values: Any) -> list[Any]:
        """Run it; its rows as named tuples, none for a statement that has none to give.

        Raises:
            DBAPIError: whatever the driver does not like.
        """
        text = self._text(tx)
        if text.own:
            values = {**text.own, **values}
        cursor = execute(tx, text.text, [values[name] for name in text.order])
        return text.rows(cursor) if cursor.description is not None else []

    def tuples(self, tx: Connection, **values: Any) -> list[tuple[Any, ...]]:
        """The same rows without names, for pages in which each row is taken apart once."""
        text = self._text(tx)
        values = {**text.own, **values}
        rows: list[tuple[Any, ...]] = execute(tx, text.text, [values[name] for name in text.order]).fetchall()
        return rows

    def first(self, tx: Connection, **values: Any) -> Any:
        """Its first row, None where there is none."""
        return next(iter(self.run(tx, **values)), None)

    def run_many(self, tx: Connection, rows: Sequence[Mapping[str, Any]]) -> None:
        """Run it for each row."""
        text = self._text(tx)
        execute(tx, text.text, [[row[name] for name in text.order] for row in rows], many=True)

    def _text(self, tx: Connection) -> _Text:
        name = tx.dialect.name
        return self._texts.get(name) or self._texts.setdefault(name, _Text(self._statement, name))


def execute(tx: Connection, text: str, values: Sequence[Any] = (), *, many: bool = False) -> Any:
    """Have the driver run a statement; the cursor. Raises DBAPIError."""
    cursor = cast("Any", tx.connection.driver_connection).cursor()
    try:
        (cursor.executemany if many else cursor.execute)(text, values)
    except cast("Any", tx.dialect).loaded_dbapi.Error as trouble:
        _told(tx, text, trouble)
    return cursor


def _told(tx: Connection, text: str, trouble: Any) -> NoReturn:
    """Raise what the engine would: the same kinds of error, and a connection that is gone is not used again."""
    dialect = cast("Any", tx.dialect)
    gone = dialect.is_disconnect(trouble, tx.connection, None)
    if gone:
        tx.invalidate(trouble)
    raise DBAPIError.instance(
        text, None, trouble, dialect.loaded_dbapi.Error, dialect=dialect, connection_invalidated=gone
    ) from trouble


MOST_IN_LIST = 500
"""Values in one list of a statement; longer ones are asked in turns."""


def run_in(
    tx: Connection, build: Callable[[list[Any]], Executable], facility: str, wanted: Iterable[Any]
) -> Iterator[Any]:
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
