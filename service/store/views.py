"""The views: written in the transaction of the entries they follow from, and thrown away for a replay."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from sqlalchemy import Connection, Row, Table, and_, bindparam, delete, func, select

from service.store.prepared import Prepared, run_in
from service.store.put import put
from service.store.tables import assets, facilities, instruments, marks, procedures, rebuilds, uses


def put_facility(tx: Connection, row: Mapping[str, Any]) -> None:
    """Write the facility's view."""
    put(tx, facilities, [row])


def put_asset(tx: Connection, row: Mapping[str, Any]) -> None:
    """Write an asset's view."""
    put(tx, assets, [row])


def put_procedure(tx: Connection, row: Mapping[str, Any]) -> None:
    """Write a procedure revision's view."""
    put(tx, procedures, [row])


def put_instrument(tx: Connection, row: Mapping[str, Any]) -> None:
    """Write an instrument's view."""
    put(tx, instruments, [row])


def drop_instrument(tx: Connection, facility: str, name: str) -> None:
    """Forget an instrument whose registration was withdrawn."""
    tx.execute(delete(instruments).where(instruments.c.facility == facility, instruments.c.instrument == name))


def put_rebuild(tx: Connection, row: Mapping[str, Any], instruments_used: Iterable[str] | None) -> None:
    """Write a rebuild's view, and which instruments it used where that has changed."""
    put(tx, rebuilds, [row])
    if instruments_used is not None:
        facility, rebuild = row["facility"], row["rebuild"]
        _CLEAR_USES.run(tx, facility=facility, rebuild=rebuild)
        put(tx, uses, [{"facility": facility, "instrument": used, "rebuild": rebuild} for used in instruments_used])


def _of_rebuild(table: Table) -> Any:
    return and_(table.c.facility == bindparam("facility"), table.c.rebuild == bindparam("rebuild"))


_CLEAR_USES, _UNMARK = (Prepared(delete(table).where(_of_rebuild(table))) for table in (uses, marks))


def put_rebuilds(tx: Connection, rows: Sequence[Mapping[str, Any]]) -> None:
    """Write the views of several rebuilds; the instruments they used stay."""
    put(tx, rebuilds, rows)


def unmark(tx: Connection, facility: str, rebuild_id: str) -> None:
    """It has been judged again."""
    _UNMARK.run(tx, facility=facility, rebuild=rebuild_id)


def mark(tx: Connection, facility: str, wanted: Iterable[str]) -> None:
    """Note rebuilds that must be judged again."""
    put(tx, marks, [{"facility": facility, "rebuild": rebuild} for rebuild in dict.fromkeys(wanted)])


def marked(tx: Connection, facility: str, limit: int) -> list[str]:
    """Some of the rebuilds that must be judged again."""
    query = select(marks.c.rebuild).where(marks.c.facility == facility).order_by(marks.c.rebuild).limit(limit)
    return list(tx.execute(query).scalars())


def facilities_with_marks(tx: Connection) -> list[str]:
    """Facilities in which something must be judged again."""
    return list(tx.execute(select(marks.c.facility).distinct()).scalars())


def facility(tx: Connection, code: str) -> Row[Any] | None:
    """The facility's view."""
    row: Row[Any] | None = _FACILITY.first(tx, facility=code)
    return row


_FACILITY = Prepared(select(facilities).where(facilities.c.facility == bindparam("facility")))


def all_facilities(tx: Connection) -> list[str]:
    """Codes of all facilities."""
    return list(tx.execute(select(facilities.c.facility).order_by(facilities.c.facility)).scalars())


def assets_by_tag(tx: Connection, facility: str, tags: Iterable[str]) -> dict[str, Row[Any]]:
    """Assets by their tags."""
    return {row.tag: row for row in run_in(tx, _assets_by_tag, facility, tags)}


def _assets_by_tag(wanted: list[Any]) -> Any:
    return select(assets).where(assets.c.facility == bindparam("facility"), assets.c.tag.in_(wanted))


def asset_page(tx: Connection, facility: str, after: str, limit: int, **wanted: Any) -> list[Row[Any]]:
    """The next assets by tag; ``wanted`` are equalities on columns, None meaning any."""
    query = select(assets).where(assets.c.facility == facility, assets.c.tag > after)
    for name, value in wanted.items():
        if value is not None:
            query = query.where(assets.c[name] == value)
    return list(tx.execute(query.order_by(assets.c.tag).limit(limit)))


def children(tx: Connection, facility: str, parents: Iterable[str]) -> dict[str, list[str]]:
    """Tags of the assets directly below others, by parent."""
    wanted = list(parents)
    found: dict[str, list[str]] = {parent: [] for parent in wanted}
    for row in run_in(tx, _children, facility, wanted):
        found[row.parent].append(row.tag)
    return {parent: sorted(tags) for parent, tags in found.items()}


def _children(wanted: list[Any]) -> Any:
    here = and_(assets.c.facility == bindparam("facility"), assets.c.parent.in_(wanted))
    return select(assets.c.parent, assets.c.tag).where(here)


def set_out_of_service(tx: Connection, facility: str, tag: str, *, out: bool) -> None:
    """Whether the asset is out of service."""
    mine = and_(assets.c.facility == facility, assets.c.tag == tag)
    tx.execute(assets.update().where(mine).values(out_of_service=out))


def procedure(tx: Connection, facility: str, code: str, revision: int | None = None) -> Row[Any] | None:
    """A procedure revision, the newest if none is named."""
    query = select(procedures).where(procedures.c.facility == facility, procedures.c.code == code)
    if revision is not None:
        query = query.where(procedures.c.revision == revision)
    return tx.execute(query.order_by(procedures.c.revision.desc()).limit(1)).one_or_none()


def revisions(tx: Connection, facility: str, codes: Iterable[str]) -> dict[str, list[int]]:
    """Which revisions there are of these procedures."""
    query = select(procedures.c.code, procedures.c.revision).where(
        procedures.c.facility == facility, procedures.c.code.in_(list(codes))
    )
    found: dict[str, list[int]] = {}
    for row in tx.execute(query.order_by(procedures.c.code, procedures.c.revision)):
        found.setdefault(row.code, []).append(row.revision)
    return found


def procedure_page(tx: Connection, facility: str, after: str, limit: int) -> list[tuple[str, int]]:
    """The next procedure codes, each with its newest revision."""
    newest = func.max(procedures.c.revision)
    query = select(procedures.c.code, newest).where(procedures.c.facility == facility, procedures.c.code > after)
    query = query.group_by(procedures.c.code).order_by(procedures.c.code).limit(limit)
    return [(code, revision) for code, revision in tx.execute(query)]


def instruments_by_name(tx: Connection, facility: str, names: Iterable[str]) -> dict[str, Row[Any]]:
    """Instruments by their codes."""
    query = select(instruments).where(instruments.c.facility == facility, instruments.c.instrument.in_(list(names)))
    return {row.instrument: row for row in tx.execute(query)}


def instrument_page(tx: Connection, facility: str, after: str, limit: int) -> list[Row[Any]]:
    """The next instruments by code."""
    query = select(instruments).where(instruments.c.facility == facility, instruments.c.instrument > after)
    return list(tx.execute(query.order_by(instruments.c.instrument).limit(limit)))


def rebuild(tx: Connection, facility: str, rebuild_id: str) -> Row[Any] | None:
    """A rebuild's view."""
    query = select(rebuilds).where(rebuilds.c.facility == facility, rebuilds.c.rebuild == rebuild_id)
    return tx.execute(query).one_or_none()


def rebuilds_by_id(tx: Connection, facility: str, ids: Iterable[str]) -> dict[str, Row[Any]]:
    """Views of rebuilds by their ids."""
    return {row.rebuild: row for row in run_in(tx, _rebuilds_by_id, facility, ids)}


def _rebuilds_by_id(wanted: list[Any]) -> Any:
    return select(rebuilds).where(rebuilds.c.facility == bindparam("facility"), rebuilds.c.rebuild.in_(wanted))


def rebuilds_of(tx: Connection, facility: str, asset: str) -> list[Row[Any]]:
    """All opened rebuilds of an asset, oldest first."""
    return rebuilds_of_each(tx, facility, [asset])[asset]


def rebuilds_of_each(tx: Connection, facility: str, tags: Iterable[str]) -> dict[str, list[Row[Any]]]:
    """The same for several assets."""
    found: dict[str, list[Row[Any]]] = {tag: [] for tag in tags}
    for row in run_in(tx, _rebuilds_of, facility, list(found)):
        found[row.asset].append(row)
    return found


def _rebuilds_of(wanted: list[Any]) -> Any:
    mine = and_(rebuilds.c.facility == bindparam("facility"), rebuilds.c.asset.in_(wanted))
    query = select(rebuilds).where(mine, rebuilds.c.opened_us.is_not(None))
    return query.order_by(rebuilds.c.asset, rebuilds.c.opened_us, rebuilds.c.rebuild)


def rebuilds_by_asset(tx: Connection, facility: str) -> dict[str, list[str]]:
    """The opened rebuilds of every asset."""
    query = select(rebuilds.c.asset, rebuilds.c.rebuild).where(
        rebuilds.c.facility == facility, rebuilds.c.asset.is_not(None)
    )
    found: dict[str, list[str]] = {}
    for row in tx.execute(query.order_by(rebuilds.c.asset, rebuilds.c.rebuild)):
        found.setdefault(row.asset, []).append(row.rebuild)
    return found


def rebuilds_by(tx: Connection, facility: str, procedure_code: str, revision: int) -> list[str]:
    """Rebuilds by a procedure revision."""
    query = select(rebuilds.c.rebuild).where(
        rebuilds.c.facility == facility, rebuilds.c.procedure == procedure_code, rebuilds.c.revision == revision
    )
    return list(tx.execute(query).scalars())


def users_of(tx: Connection, facility: str, instrument: str) -> list[str]:
    """Rebuilds that used an instrument."""
    query = select(uses.c.rebuild).where(uses.c.facility == facility, uses.c.instrument == instrument)
    return list(tx.execute(query).scalars())


def rebuild_page(tx: Connection, facility: str, after: int, limit: int, **wanted: Any) -> list[Row[Any]]:
    """The next rebuilds in the order in which the ledger first heard of them."""
    query = select(rebuilds).where(rebuilds.c.facility == facility, rebuilds.c.first_seq > after)
    for name, value in wanted.items():
        if value is not None:
            query = query.where(rebuilds.c[name] == value)
    return list(tx.execute(query.order_by(rebuilds.c.first_seq).limit(limit)))
