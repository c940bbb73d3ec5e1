"""One facility's ledger to post to and to look into, with a clock that the test sets."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, date, datetime, timedelta
from typing import Any

import orjson

from service.api.intake import read_entries
from service.entries.catalogue import SCOPES, Scope
from service.entries.facility import FacilityOpened
from service.entries.refusals import Refusal
from service.ledger.append import append, judge_marked, open_facility
from service.ledger.due_answers import Wanted, due_page
from service.ledger.entry import Entry, read_all
from service.ledger.memory import Memory
from service.ledger.receipt import Receipt, Submission
from service.ledger.replay import replay
from service.store import entries as stored
from service.store import remake, views
from service.store.engine import Store
from tests.ledger import scenario

ALL_SCOPES = frozenset(SCOPES)
NOW = datetime(2026, 7, 20, 12, tzinfo=UTC)


class Clock:
    """Stands still until it is set."""

    def __init__(self, now: datetime = NOW) -> None:
        self.now = now

    def __call__(self) -> datetime:
        return self.now


def submission(
    body: Any,
    credential: str = "tablet",
    scopes: Iterable[Scope] = ALL_SCOPES,
    unless_changed: tuple[str, int] | None = None,
) -> Submission:
    """A body as the API would hand it to the ledger."""
    return Submission(read_entries(body), credential, frozenset(scopes), unless_changed)


class Bench:
    """A facility opened and set up, on whichever engine."""

    def __init__(self, store: Store, facility: dict[str, Any] = scenario.FACILITY, clock: Clock | None = None) -> None:
        self.store, self.facility, self.clock = store, str(facility["code"]), clock or Clock()
        self.memory = Memory(self.facility)
        open_facility(store, FacilityOpened.model_validate(facility), self.clock)

    def group(self, *submissions: Submission) -> list[Receipt | Refusal]:
        """Several submissions in one transaction, then whatever they have marked."""
        outcomes = append(self.store, self.memory, submissions, self.clock)
        while judge_marked(self.store, self.memory, self.clock):
            pass
        return outcomes

    def post(self, body: Any, **caller: Any) -> Receipt:
        """Record a body; a refusal is raised."""
        (outcome,) = self.group(submission(body, **caller))
        if isinstance(outcome, Refusal):
            raise outcome
        return outcome

    def entries(self) -> list[Entry]:
        with self.store.reading() as tx:
            return read_all(stored.page(tx, self.facility, 0, 100_000))

    def judged(self, rebuild: str = scenario.REBUILD) -> list[dict[str, Any]]:
        """What the server wrote down about a rebuild, oldest first."""
        return [one.data for one in self.entries() if one.type == "rebuild.judged" and one.rebuild == rebuild]

    def rebuild(self, rebuild: str = scenario.REBUILD) -> Any:
        with self.store.reading() as tx:
            return views.rebuild(tx, self.facility, rebuild)

    def findings(self, rebuild: str = scenario.REBUILD) -> list[dict[str, Any]]:
        return orjson.loads(self.rebuild(rebuild).findings)

    def finding(self, check: str, subject: str, rebuild: str = scenario.REBUILD) -> dict[str, Any]:
        return next(one for one in self.findings(rebuild) if (one["check"], one["subject"]) == (check, subject))

    def asset(self, tag: str) -> Any:
        with self.store.reading() as tx:
            return views.assets_by_tag(tx, self.facility, [tag]).get(tag)

    def due(self, as_of: str, **wanted: Any) -> list[dict[str, Any]]:
        """The due list on a day, as if that day were today."""
        asked = {"in_force": True, **wanted}
        with self.store.reading() as tx:
            return due_page(tx, self.facility, Wanted(date.fromisoformat(as_of), **asked))[0]

    def head(self) -> Any:
        with self.store.reading() as tx:
            return stored.read_head(tx, self.facility)

    def contents(self) -> dict[str, list[tuple[Any, ...]]]:
        with self.store.reading() as tx:
            return remake.contents(tx, self.facility)

    def replayed(self) -> dict[str, list[tuple[Any, ...]]]:
        replay(self.store, self.facility)
        return self.contents()

    def tick(self, **span: float) -> None:
        self.clock.now += timedelta(**span)
