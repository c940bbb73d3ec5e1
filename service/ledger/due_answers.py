"""The due list as callers are told it: for any day, soonest first. Read only."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sqlalchemy import Connection

from service.ledger.due import days, state
from service.ledger.read_views import facility_of
from service.store import due_list
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
    return [_item(row, wanted.as_of) for row in rows], (
        rows[-1].due_on,
        rows[-1].asset,
        rows[-1].procedure,
    ) if more else None


def _item(row: tuple[Any, ...], as_of: date) -> dict[str, Any]:
    tag, procedure, gas, due_text, window_text, baseline, why, anchor, rebuild, says, out = row
    due_on, window_on = _day(due_text), _day(window_text)
    return {
        "asset": tag,
        "procedure": procedure,
        "gas": gas,
        "state": state(due_on, window_on, as_of, baseline=bool(baseline)),
        "due_on": due_text if due_on is not None else None,
        "window_on": window_text if window_on is not None else None,
        "days": days(due_on, as_of),
        "why": why,
        "anchor": anchor,
        "rebuild": rebuild,
        "out_of_service": bool(out),
        "says": says,
    }


def _day(text: str) -> date | None:
    return date.fromisoformat(text) if text != due_list.NEVER else None
