"""Reading and writing the ledger's entries."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

from sqlalchemy import Connection, Row, and_, bindparam, func, literal_column, select
from sqlalchemy.dialects import postgresql, sqlite

from service.store.prepared import Prepared, run_in
from service.store.rows import Rows
from service.store.tables import entries, heads

_FOUND = (entries.c.seq, entries.c.body)


_HERE = heads.c.facility == bindparam("facility")
_HEAD = select(heads.c.size, heads.c.root, heads.c.recorded_us, heads.c.turn).where(_HERE)
_NEXT_TURN = heads.c.turn + literal_column("1")
_READ_HEAD, _LOCK_HEAD = Prepared(_HEAD), Prepared(_HEAD.with_for_update())
_MOVE_HEAD = Prepared(
    heads.update()
    .where(heads.c.facility == bindparam("here"))
    .values(size=bindparam("size"), root=bindparam("root"), recorded_us=bindparam("recorded_us"), turn=_NEXT_TURN)
)
_TURN_HEAD = Prepared(heads.update().where(heads.c.facility == bindparam("here")).values(turn=_NEXT_TURN))
_NEW = Rows(entries)


def lock_head(tx: Connection, facility: str) -> Row[Any] | None:
    """Size, root, last ``recorded_us`` and turn of a facility, locked until the transaction ends."""
    row: Row[Any] | None = _LOCK_HEAD.first(tx, facility=facility)
    return row


def read_head(tx: Connection, facility: str) -> Row[Any] | None:
    """The same, not locked."""
    row: Row[Any] | None = _READ_HEAD.first(tx, facility=facility)
    return row


def create_head(tx: Connection, facility: str, root: bytes) -> bool:
    """The head of an empty ledger; False where there is one, or somebody else has just made it."""
    insert_ = sqlite.insert(heads) if tx.dialect.name == "sqlite" else postgresql.insert(heads)
    new = insert_.values(facility=facility, size=0, root=root, recorded_us=0).on_conflict_do_nothing()
    return tx.execute(new.returning(heads.c.size)).first() is not None


def move_head(tx: Connection, facility: str, size: int, root: bytes, recorded_us: int) -> None:
    """Where the ledger ends now."""
    _MOVE_HEAD.run(tx, here=facility, size=size, root=root, recorded_us=recorded_us)


def turn_head(tx: Connection, facility: str) -> None:
    """The views changed though no entry was added: what other writers remember of them holds no longer."""
    _TURN_HEAD.run(tx, here=facility)


def write(tx: Connection, rows: Sequence[Mapping[str, Any]]) -> None:
    """Append entry rows, in the order of their ``seq``."""
    _NEW.write(tx, rows)


def by_ids(tx: Connection, facility: str, ids: Iterable[str]) -> list[tuple[int, str]]:
    """(seq, body) of the entries with these ids."""
    return sorted((row.seq, row.body) for row in run_in(tx, _by_ids, facility, ids))


def _by_ids(wanted: list[Any]) -> Any:
    here = entries.c.facility == bindparam("facility")
    return select(*_FOUND).where(here, entries.c.id.in_(wanted))


@dataclass(frozen=True)
class _Question:
    """Entries by one of their columns, narrowed by type, with all corrections to them; ``about`` is that column."""

    column: str
    types: tuple[str, ...] = ()
    but: str = ""
    outside_rebuilds: bool = False

    def found(self, tx: Connection, facility: str, wanted: Iterable[str]) -> dict[str, list[tuple[int, str]]]:
        """By value of the column, (seq, body) in order."""
        found: dict[str, dict[int, str]] = {value: {} for value in wanted}
        about: dict[str, str] = {}
        for row in run_in(tx, self.entries, facility, found):
            about[row.id] = row.about
            found[row.about][row.seq] = row.body
        for row in run_in(tx, self.corrections, facility, found):
            found[about[row.corrects]][row.seq] = row.body
        return {value: sorted(bodies.items()) for value, bodies in found.items()}

    def entries(self, wanted: list[Any]) -> Any:
        """The entries themselves."""
        mine = self._holds(entries, wanted)
        return select(entries.c[self.column].label("about"), entries.c.id, *_FOUND).where(mine)

    def corrections(self, wanted: list[Any]) -> Any:
        """Corrections that name one of them: a list, not a join, which SQLite would begin with all corrections."""
        target = entries.alias()
        named = entries.c.corrects.in_(select(target.c.id).where(self._holds(target, wanted)))
        return select(entries.c.corrects, *_FOUND).where(entries.c.facility == bindparam("facility"), named)

    def _holds(self, table: Any, wanted: list[Any]) -> Any:
        conditions = [table.c.facility == bindparam("facility"), table.c[self.column].in_(wanted)]
        if self.types:
            conditions.append(table.c.type.in_([literal_column(f"'{type_}'") for type_ in self.types]))
        if self.but:
            conditions.append(table.c.type != literal_column(f"'{self.but}'"))
        if self.outside_rebuilds:
            conditions.append(table.c.rebuild.is_(None))
        return and_(*conditions)


_OF_REBUILDS = _Question("rebuild", but="rebuild.judged")
_READINGS = _Question("asset", ("meter.read",))
_EXCHANGES = _Question("asset", ("asset.exchanged",))
_OF_SUBJECT = _Question("subject")


@cache
def _of_assets(types: tuple[str, ...], outside_rebuilds: bool) -> _Question:  # noqa: FBT001 - a key of the cache
    return _Question("asset", types, outside_rebuilds=outside_rebuilds)


def of_rebuilds(tx: Connection, facility: str, rebuilds: Iterable[str]) -> dict[str, list[tuple[int, str]]]:
    """By rebuild, (seq, body) of its entries and of all corrections to them in order, judgements left out."""
    return _OF_REBUILDS.found(tx, facility, rebuilds)


def of_rebuild(tx: Connection, facility: str, rebuild: str) -> list[tuple[int, str]]:
    """The same for one rebuild."""
    return of_rebuilds(tx, facility, [rebuild])[rebuild]


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
    return _of_assets(tuple(types), outside_rebuilds).found(tx, facility, [asset])[asset]


def readings(tx: Connection, facility: str, assets: Iterable[str]) -> dict[str, list[tuple[int, str]]]:
    """By asset, (seq, body) of its meter readings and of the corrections to them, in order."""
    return _READINGS.found(tx, facility, assets)


def exchanges(tx: Connection, facility: str, assets: Iterable[str]) -> dict[str, list[tuple[int, str]]]:
    """By asset, (seq, body) of its exchanges and of the corrections to them, in order."""
    return _EXCHANGES.found(tx, facility, assets)


def exchanged(tx: Connection, facility: str) -> list[str]:
    """Tags of the assets whose device was exchanged."""
    query = select(entries.c.asset).distinct()
    query = query.where(entries.c.facility == facility, entries.c.type == "asset.exchanged")
    return list(tx.execute(query.order_by(entries.c.asset)).scalars())


def metered(tx: Connection, facility: str) -> list[str]:
    """Tags of the assets with a meter reading."""
    query = select(entries.c.asset).distinct().where(entries.c.facility == facility, entries.c.type == "meter.read")
    return list(tx.execute(query.order_by(entries.c.asset)).scalars())


def of_subject(tx: Connection, facility: str, subject: str) -> list[tuple[int, str]]:
    """(seq, body) of the entries about an instrument or the facility, and of the corrections to them."""
    return _OF_SUBJECT.found(tx, facility, [subject])[subject]


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
    return sorted((row.seq, row.body) for row in run_in(tx, _by_targets, facility, ids))


def _by_targets(wanted: list[Any]) -> Any:
    here = entries.c.facility == bindparam("facility")
    return select(*_FOUND).where(here, entries.c.corrects.in_(wanted))


def count(tx: Connection, facility: str) -> int:
    """How many entries are there."""
    return int(tx.execute(select(func.count()).select_from(entries).where(entries.c.facility == facility)).scalar_one())
