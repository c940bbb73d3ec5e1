"""The due list as callers are told it: for any day, soonest first. Read only."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sqlalchemy import Connection

from service.ledger.due import days, state
from service.ledger.read_views import facility_of
from service.store import due_list, views
from service.store.due_list import Wanted

__all__ = ["Asked", "Key", "Wanted", "due_page"]

Key = tuple[str, str, str]


@dataclass(frozen=True, slots=True)
class Asked:
    """What a caller asks of a facility's due list; without a day, today in its own time zone."""

    facility: str
    now: datetime
    day: date | None = None
    state: str | None = None
    within: int | None = None
    gas: str | None = None
    after: Key | None = None
    limit: int = 50

    def answer(self, tx: Connection) -> tuple[date, list[dict[str, Any]], Key | None]:
        """The day, a page of the list as it is on that day, and the key after which the next one begins."""
        today = facility_of(tx, self.facility).day(self.now)
        day = self.day or today
        wanted = Wanted(day, day >= today, self.state, self.within, self.gas, self.after, self.limit)
        return day, *due_page(tx, self.facility, wanted)


def due_page(tx: Connection, facility: str, wanted: Wanted) -> tuple[list[dict[str, Any]], Key | None]:
    """A page of the due list, and the key after which the next one begins."""
    rows = due_list.page(tx, facility, wanted)
    more, rows = len(rows) > wanted.limit, rows[: wanted.limit]
    as_of, day = wanted.as_of, wanted.as_of.isoformat()
    published = views.revisions(tx, facility, sorted({row[1] for row in rows}))
    items = [_item(row, as_of, day, published=row[1] in published) for row in rows]
    return items, (rows[-1][3], rows[-1][0], rows[-1][1]) if more else None


def _item(row: tuple[Any, ...], as_of: date, day: str, *, published: bool) -> dict[str, Any]:
    """A row (``due_list.SHOWN``) as callers are told it; ``day`` is ``as_of`` as text."""
    tag, procedure, gas, due_on, window_on, baseline, why, anchor, rebuild, says, out = row
    due_on = None if due_on == due_list.NEVER else due_on
    window_on = None if window_on == due_list.NEVER else window_on
    return {
        "asset": tag,
        "procedure": procedure,
        "gas": gas,
        "state": state(due_on, window_on, day, baseline=bool(baseline)),
        "due_on": due_on,
        "window_on": window_on,
        "days": days(date.fromisoformat(due_on), as_of) if due_on is not None else None,
        "why": why,
        "anchor": anchor,
        "rebuild": rebuild,
        "out_of_service": bool(out),
        "says": says if published else f"{says}; no procedure {procedure} is published here",
    }
