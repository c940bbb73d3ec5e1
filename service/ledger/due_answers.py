"""The due list as callers are told it: for any day, soonest first. Read only."""

from __future__ import annotations

from datetime import date
from typing import Any

from sqlalchemy import Connection, Row

from service.ledger.due import days, state
from service.store import due_list, views
from service.store.due_list import Wanted

__all__ = ["Key", "Wanted", "due_page"]

Key = tuple[str, str, str]


def due_page(tx: Connection, facility: str, wanted: Wanted) -> tuple[list[dict[str, Any]], Key | None]:
    """A page of the due list, and the key after which the next one begins."""
    rows = due_list.page(tx, facility, wanted)
    more, rows = len(rows) > wanted.limit, rows[: wanted.limit]
    published = views.revisions(tx, facility, sorted({row.procedure for row in rows}))
    return [_item(row, wanted.as_of, published=row.procedure in published) for row in rows], (
        rows[-1].due_on,
        rows[-1].asset,
        rows[-1].procedure,
    ) if more else None


def _item(row: Row[Any], as_of: date, *, published: bool) -> dict[str, Any]:
    due_on = date.fromisoformat(row.due_on) if row.due_on != due_list.NEVER else None
    window_on = date.fromisoformat(row.window_on) if row.window_on != due_list.NEVER else None
    return {
        "asset": row.asset,
        "procedure": row.procedure,
        "gas": row.gas,
        "state": state(due_on, window_on, as_of, baseline=bool(row.baseline)),
        "due_on": due_on.isoformat() if due_on else None,
        "window_on": window_on.isoformat() if window_on else None,
        "days": days(due_on, as_of),
        "why": row.why,
        "anchor": row.anchor,
        "rebuild": row.rebuild,
        "out_of_service": bool(row.out_of_service),
        "says": row.says if published else f"{row.says}; no procedure {row.procedure} is published here",
    }
