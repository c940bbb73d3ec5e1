"""Reading and writing the ledger's entries."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

from sqlalchemy import ColumnElement, Connection, Row, and_, bindparam, func, insert, select, text
from sqlalchemy.dialects import postgresql, sqlite

from service.store.prepared import Prepared, run_in
from service.store.tables import entries, heads

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
    return [(row.seq, row.body) for row in run_in(tx, _by_ids, facility, ids)]


def _by_ids(wanted: list[Any]) -> Any:
    here = entries.c.facility == bindparam("facility")
    return select(*_FOUND).where(here, entries.c.id.in_(wanted)).order_by(entries.c.seq)


def of_rebuilds(tx: Connection, facility: str, rebuilds: Iterable[str]) -> dict[str, list[tuple[int, str]]]:
    """By rebuild, (seq, body) of its entries and of all corrections to them in order, judgements left out."""
    found: dict[str, dict[int, str]] = {}
    wanted = list(rebuilds)
    for build in (_of_rebuilds, _of_rebuilds_corrected):
        for row in run_in(tx, build, facility, wanted):
            found.setdefault(row.about, {})[row.seq] = row.body
    return {rebuild: sorted(bodies.items()) for rebuild, bodies in found.items()}


def _of_rebuilds(wanted: list[Any]) -> Any:
    mine = and_(entries.c.facility == bindparam("facility"), entries.c.rebuild.in_(wanted))
    return select(entries.c.rebuild.label("about"), *_FOUND).where(mine, entries.c.type != text("'rebuild.judged'"))


def _of_rebuilds_corrected(wanted: list[Any]) -> Any:
    return _corrections_to(lambda target: (target.c.rebuild, target.c.rebuild.in_(wanted)))


def _corrections_to(of: Callable[[Any], tuple[Any, Any]]) -> Any:
    """Corrections that name an entry which meets a condition; ``about`` is a column of that entry."""
    target = entries.alias()
    about, condition = of(target)
    theirs = and_(target.c.facility == entries.c.facility, target.c.id == entries.c.corrects)
    query = select(about.label("about"), *_FOUND).join_from(entries, target, theirs)
    return query.where(target.c.facility == bindparam("facility"), condition)


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


def readings(tx: Connection, facility: str, assets: Iterable[str]) -> dict[str, list[tuple[int, str]]]:
    """By asset, (seq, body) of its meter readings and of the corrections to them, in order."""
    wanted = list(assets)
    found: dict[str, dict[int, str]] = {asset: {} for asset in wanted}
    for build in (_readings, _readings_corrected):
        for row in run_in(tx, build, facility, wanted):
            found[row.about][row.seq] = row.body
    return {asset: sorted(bodies.items()) for asset, bodies in found.items()}


def _readings(wanted: list[Any]) -> Any:
    mine = and_(entries.c.facility == bindparam("facility"), entries.c.asset.in_(wanted))
    return select(entries.c.asset.label("about"), *_FOUND).where(mine, entries.c.type == text("'meter.read'"))


def _readings_corrected(wanted: list[Any]) -> Any:
    kind = text("'meter.read'")
    return _corrections_to(lambda target: (target.c.asset, and_(target.c.asset.in_(wanted), target.c.type == kind)))


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
    return [(row.seq, row.body) for row in run_in(tx, _by_targets, facility, ids)]


def _by_targets(wanted: list[Any]) -> Any:
    here = entries.c.facility == bindparam("facility")
    return select(*_FOUND).where(here, entries.c.corrects.in_(wanted)).order_by(entries.c.seq)


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
