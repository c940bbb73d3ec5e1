"""Reading and writing the ledger's entries."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import cache
from typing import Any

from sqlalchemy import ColumnElement, Connection, Row, and_, bindparam, func, insert, select, text
from sqlalchemy.dialects import postgresql, sqlite

from service.store.prepared import Prepared
from service.store.tables import entries, heads

_MOST_IN_LIST = 500
_FOUND = (entries.c.seq, entries.c.body)


_HERE = heads.c.facility == bindparam("facility")
_HEAD = select(heads.c.size, heads.c.root, heads.c.recorded_us).where(_HERE)
_READ_HEAD, _LOCK_HEAD = Prepared(_HEAD), Prepared(_HEAD.with_for_update())
_MOVE_HEAD = Prepared(
    heads.update()
    .where(heads.c.facility == bindparam("here"))
    .values(size=bindparam("size"), root=bindparam("root"), recorded_us=bindparam("recorded_us"))
)
_WRITE = Prepared(insert(entries))


def lock_head(tx: Connection, facility: str) -> Row[Any] | None:
    """Size, root and last ``recorded_us`` of a facility, locked until the transaction ends."""
    return _LOCK_HEAD.run(tx, facility=facility).one_or_none()


def read_head(tx: Connection, facility: str) -> Row[Any] | None:
    """The same, not locked."""
    return _READ_HEAD.run(tx, facility=facility).one_or_none()


def create_head(tx: Connection, facility: str, root: bytes) -> bool:
    """The head of an empty ledger; False where there is one, or somebody else has just made it."""
    insert_ = sqlite.insert(heads) if tx.dialect.name == "sqlite" else postgresql.insert(heads)
    new = insert_.values(facility=facility, size=0, root=root, recorded_us=0).on_conflict_do_nothing()
    return tx.execute(new.returning(heads.c.size)).first() is not None


def move_head(tx: Connection, facility: str, size: int, root: bytes, recorded_us: int) -> None:
    """Where the ledger ends now."""
    _MOVE_HEAD.run(tx, here=facility, size=size, root=root, recorded_us=recorded_us)


def write(tx: Connection, rows: Sequence[Mapping[str, Any]]) -> None:
    """Append entry rows, in the order of their ``seq``."""
    if rows:
        _WRITE.run_many(tx, rows)


def by_ids(tx: Connection, facility: str, ids: Iterable[str]) -> list[tuple[int, str]]:
    """(seq, body) of the entries with these ids."""
    return list(_in_chunks(tx, facility, "id", ids))


def of_rebuilds(tx: Connection, facility: str, rebuilds: Iterable[str]) -> dict[str, list[tuple[int, str]]]:
    """By rebuild, (seq, body) of its entries and of all corrections to them in order, judgements left out."""
    found: dict[str, dict[int, str]] = {}
    for chunk in _chunks(rebuilds):
        values = {f"v{index}": rebuild for index, rebuild in enumerate(chunk)}
        for statement in _of_rebuilds(len(chunk)):
            for row in statement.run(tx, facility=facility, **values):
                found.setdefault(row.rebuild, {})[row.seq] = row.body
    return {rebuild: sorted(bodies.items()) for rebuild, bodies in found.items()}


@cache
def _of_rebuilds(count: int) -> tuple[Prepared, Prepared]:
    """Entries of so many rebuilds, and the corrections that name one of those entries."""
    wanted: list[Any] = [bindparam(f"v{index}") for index in range(count)]
    here: Any = bindparam("facility")
    mine = and_(entries.c.facility == here, entries.c.rebuild.in_(wanted), entries.c.type != text("'rebuild.judged'"))
    target = entries.alias()
    theirs = and_(target.c.facility == entries.c.facility, target.c.id == entries.c.corrects)
    corrections = select(target.c.rebuild, *_FOUND).join_from(entries, target, theirs)
    return (
        Prepared(select(entries.c.rebuild, *_FOUND).where(mine)),
        Prepared(corrections.where(target.c.facility == here, target.c.rebuild.in_(wanted))),
    )


def of_rebuild(tx: Connection, facility: str, rebuild: str) -> list[tuple[int, str]]:
    """The same for one rebuild."""
    return of_rebuilds(tx, facility, [rebuild]).get(rebuild, [])


def judgements(tx: Connection, facility: str, rebuild: str) -> list[tuple[int, str]]:
    """(seq, body) of the judgements of a rebuild, oldest first."""
    query = select(*_FOUND).where(
        entries.c.facility == facility, entries.c.rebuild == rebuild, entries.c.type == "rebuild.judged"
    )
    return [(row.seq, row.body) for row in tx.execute(query.order_by(entries.c.seq))]


def of_asset(
    tx: Connection, facility: str, asset: str, types: Sequence[str], *, outside_rebuilds: bool = False
) -> list[tuple[int, str]]:
    """(seq, body) of an asset's entries of these types, and of the corrections to them."""
    mine = and_(entries.c.facility == facility, entries.c.asset == asset, entries.c.type.in_(types))
    if outside_rebuilds:
        mine = and_(mine, entries.c.rebuild.is_(None))
    return _with_corrections(tx, facility, mine)


def metered(tx: Connection, facility: str) -> list[str]:
    """Tags of the assets with a meter reading."""
    query = select(entries.c.asset).distinct().where(entries.c.facility == facility, entries.c.type == "meter.read")
    return list(tx.execute(query.order_by(entries.c.asset)).scalars())


def of_subject(tx: Connection, facility: str, subject: str) -> list[tuple[int, str]]:
    """(seq, body) of the entries about an instrument or the facility, and of the corrections to them."""
    mine = and_(entries.c.facility == facility, entries.c.subject == subject)
    return _with_corrections(tx, facility, mine)


def page(
    tx: Connection,
    facility: str,
    after: int,
    limit: int,
    *,
    rebuild: str | None = None,
    asset: str | None = None,
    type_: str | None = None,
) -> list[tuple[int, str]]:
    """(seq, body) of the next ``limit`` entries after ``after`` that match."""
    query = select(*_FOUND).where(entries.c.facility == facility, entries.c.seq > after)
    for column, wanted in ((entries.c.rebuild, rebuild), (entries.c.asset, asset), (entries.c.type, type_)):
        if wanted is not None:
            query = query.where(column == wanted)
    return [(row.seq, row.body) for row in tx.execute(query.order_by(entries.c.seq).limit(limit))]


def corrections_of(tx: Connection, facility: str, ids: Iterable[str]) -> list[tuple[int, str]]:
    """(seq, body) of the corrections that name these entries."""
    return list(_in_chunks(tx, facility, "corrects", ids))


def count(tx: Connection, facility: str) -> int:
    """How many entries are there."""
    return int(tx.execute(select(func.count()).select_from(entries).where(entries.c.facility == facility)).scalar_one())


def _with_corrections(tx: Connection, facility: str, mine: ColumnElement[bool]) -> list[tuple[int, str]]:
    """What meets the condition, and all corrections to it, in order."""
    found = {row.seq: row.body for row in tx.execute(select(*_FOUND).where(mine))}
    ids = select(entries.c.id).where(mine)
    corrections = select(*_FOUND).where(entries.c.facility == facility, entries.c.corrects.in_(ids))
    found |= {row.seq: row.body for row in tx.execute(corrections)}
    return sorted(found.items())


def _in_chunks(tx: Connection, facility: str, column: str, wanted: Iterable[str]) -> Iterator[tuple[int, str]]:
    for chunk in _chunks(wanted):
        values = {f"v{index}": value for index, value in enumerate(chunk)}
        found = _by_column(column, len(chunk)).run(tx, facility=facility, **values)
        yield from ((row.seq, row.body) for row in found)


@cache
def _by_column(column: str, count: int) -> Prepared:
    wanted = entries.c[column].in_([bindparam(f"v{index}") for index in range(count)])
    here = entries.c.facility == bindparam("facility")
    return Prepared(select(*_FOUND).where(here, wanted).order_by(entries.c.seq))


def _chunks(values: Iterable[str]) -> Iterator[list[str]]:
    wanted = list(dict.fromkeys(values))
    for start in range(0, len(wanted), _MOST_IN_LIST):
        yield wanted[start : start + _MOST_IN_LIST]
