"""The clock set back: ``recorded_at`` never runs backwards, and what lies in the future is refused with the reason.

The present is the later of the clock and the last ``recorded_at``: what was the past for the ledger stays so.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from itertools import pairwise
from typing import Any

from tests.api import scenario
from tests.api.desk import Desk, problem, running
from tests.faults.databases import sqlite
from tests.faults.invariants import check
from tests.faults.setting import Figures, Setting

BACK = (timedelta(seconds=1), timedelta(hours=1), timedelta(days=400))
AHEAD = timedelta(minutes=5)
"""How far a caller's clock may run ahead (the service's own figure; common practice, no published source)."""


def set_back(setting: Setting) -> Figures:
    """In the process itself, with a clock that can be set; looked at after every step."""
    figures, database = Figures(), sqlite(setting.folder)
    with running(database.url) as desk:
        desk.open()
        desk.record(*scenario.registered())
        for back in BACK:
            _one(desk, back, figures)
            check(database.url, desk.facility)
            desk.clock.pass_(seconds=back.total_seconds() + 60)
            desk.record(_at(desk, timedelta(0)))
            check(database.url, desk.facility)
    return figures


def _at(desk: Desk, ahead: timedelta) -> dict[str, Any]:
    """A reading that was taken so far ahead of the service's clock."""
    return _reading(desk, desk.clock.at + ahead)


def _reading(desk: Desk, at: datetime) -> dict[str, Any]:
    data = {"meter": "hours", "reading": str(desk.size())}
    return {"type": "meter.read", "occurred_at": at.strftime("%Y-%m-%dT%H:%M:%SZ"), "asset": "OX2", "data": data}


def _one(desk: Desk, back: timedelta, figures: Figures) -> None:
    desk.clock.pass_(seconds=-back.total_seconds())
    size = desk.size()
    desk.record(_at(desk, timedelta(0)))
    present = desk.clock.at + back  # of the ledger, which has seen it already
    refused = desk.post("/entries", _reading(desk, present + AHEAD + timedelta(seconds=1)))
    faults = problem(refused, 422)
    assert [fault[0] for fault in faults] == ["/occurred_at"], refused.text
    assert desk.size() == size + 1
    assert desk.post("/entries", _reading(desk, present + AHEAD - timedelta(seconds=1))).status_code == 201
    times = [one["recorded_at"] for one in desk.walk("/entries?limit=200")]
    assert all(earlier <= later for earlier, later in pairwise(times)), times
    figures.add("set back", **{"refused as future": 1})
