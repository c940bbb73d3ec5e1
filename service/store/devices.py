"""The view of rebuilds asked by device: a regulator that moves takes its history along."""

from __future__ import annotations

from typing import Any

from sqlalchemy import Connection, Row, and_, bindparam, select

from service.store.prepared import run_in
from service.store.tables import rebuilds
from service.store.views import rebuilds_of


def rebuilds_of_device(tx: Connection, facility: str, asset: str, serial: str | None) -> list[Row[Any]]:
    """All opened rebuilds of a device, wherever it was, oldest first.

    One without a serial is known by its position alone.
    """
    if serial is None:
        return [row for row in rebuilds_of(tx, facility, asset) if row.serial is None]
    found = run_in(tx, _with_serial, facility, [serial])
    return sorted(found, key=lambda row: (row.opened_us, row.rebuild))


def _with_serial(wanted: list[Any]) -> Any:
    mine = and_(rebuilds.c.facility == bindparam("facility"), rebuilds.c.serial.in_(wanted))
    return select(rebuilds).where(mine, rebuilds.c.opened_us.is_not(None))
