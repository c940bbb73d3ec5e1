"""What admission knows of the things that submissions name; it grows as entries are admitted. Pure."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import datetime

from service.entries.catalogue import Scope
from service.entries.words import Moment
from service.ledger.entry import Entry
from service.ledger.rebuild import fold
from service.ledger.register import Asset


@dataclass
class Known:
    """What the ledger holds of the things that a submission names; grows as its entries are admitted."""

    facility: str
    now: datetime
    scopes: frozenset[Scope]
    assets: dict[str, Asset] = field(default_factory=dict)
    revisions: dict[str, list[int]] = field(default_factory=dict)
    entries: dict[str, Entry] = field(default_factory=dict)
    """Entries by id: those that a draft repeats or corrects."""
    lifecycles: dict[str, list[Entry]] = field(default_factory=dict)
    """By rebuild: its openings and closings and the corrections to them."""
    early: dict[str, list[Entry]] = field(default_factory=dict)
    """By the id they name: corrections that are there before their target."""

    _closings: dict[tuple[str, int], datetime | None] = field(default_factory=dict)

    def branch(self, now: datetime, scopes: frozenset[Scope]) -> Known:
        """The same to begin with; what is learnt from one submission stays out of it if that is refused."""
        return replace(
            self,
            now=now,
            scopes=scopes,
            assets=dict(self.assets),
            revisions=dict(self.revisions),
            entries=dict(self.entries),
            lifecycles=dict(self.lifecycles),
            early=dict(self.early),
            _closings=dict(self._closings),
        )

    def knows(self, rebuild: str, lifecycle: list[Entry], closed_at: datetime | None) -> None:
        """Take over what was folded elsewhere."""
        self.lifecycles[rebuild] = lifecycle
        self._closings[rebuild, len(lifecycle)] = closed_at

    def closed_at(self, rebuild: str | None) -> datetime | None:
        """When the rebuild was closed, as corrected."""
        if rebuild is None or not (lifecycle := self.lifecycles.get(rebuild)):
            return None
        key = (rebuild, len(lifecycle))
        if key not in self._closings:
            closing = fold(lifecycle).closing
            self._closings[key] = closing.at if closing else None
        return self._closings[key]

    def closed_as_written(self, rebuild: str | None) -> str:
        """The same as whoever closed it wrote it, offset and all; of a corrected time, as the correction did."""
        at, lifecycle = self.closed_at(rebuild), self.lifecycles.get(rebuild or "", ())
        written = [entry.body["occurred_at"] for entry in lifecycle if entry.type == "rebuild.closed"]
        replaced = [(entry.data.get("replacement") or {}).get("occurred_at") for entry in lifecycle]
        same = [text for text in (*written, *filter(None, replaced)) if Moment(text).at == at]
        return same[0] if same else str(at and at.isoformat())
