"""What a writer remembers of a facility between transactions, so that it need not read and fold it all again.

It is valid only while the head is as this writer left it, size, root and turn (``sync``), and each thing in it only
until an entry touches it (``forget``). A writer that lost a transaction forgets everything. Nothing here decides
anything.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import orjson
from sqlalchemy import Connection, Row

from service.checks.job import Fact, InstrumentRecord
from service.entries.asset import AssetExchanged
from service.entries.procedure import ProcedurePublished
from service.ledger.entry import Entry, read_all
from service.ledger.meter import RunningCount
from service.ledger.read_views import asset_of, facility_of, instrument_of
from service.ledger.register import Asset, Facility
from service.ledger.remembered import Recent, Work
from service.merkle.tree import Edge, read_edge
from service.store import entries as stored
from service.store import tree as nodes
from service.store import views

Head = tuple[int, bytes, int]
"""A ledger's size, root and turn."""


class Memory:
    """What one writer remembers of one facility."""

    def __init__(self, code: str) -> None:
        self.code = code
        self.forget_all()

    def forget_all(self) -> None:
        """Start anew."""
        self._head: Head | None = None
        self._edge: Edge | None = None
        self._facility: Facility | None = None
        self._assets: Recent[str, Row[Any]] = Recent(20_000)
        self._registers: Recent[str, Asset] = Recent(20_000)
        self._revisions: dict[str, list[int]] = {}
        self._procedures: Recent[tuple[str, int], ProcedurePublished] = Recent(200)
        self._instruments: Recent[str, InstrumentRecord | None] = Recent(2_000)
        self.works: Recent[str, Work] = Recent(2_000)
        self._children: Recent[str, list[str]] = Recent(20_000)
        self.counts: Recent[tuple[str, str], RunningCount] = Recent(20_000)
        """By asset and meter."""
        self.resets: Recent[str, list[Row[Any]]] = Recent(20_000)
        """By asset: its rebuilds that reset a service."""
        self.due: Recent[str, dict[tuple[str, str], dict[str, Any]]] = Recent(20_000)
        """By asset: its rows of the due list, by procedure and first day."""
        self._unwritten: dict[str, dict[str, Any]] = {}
        """Views of rebuilds that changed in nothing anybody reads before the group ends, written all at once."""
        self.exchanges: Recent[str, tuple[Fact[AssetExchanged], ...]] = Recent(20_000)
        """By asset: the devices that came and went."""
        self.marked = True
        """Rebuilds may be waiting to be judged again."""
        self.stirred = False
        """Some of them since this transaction began."""

    def sync(self, head: Head) -> None:
        """Forget everything unless the head is as this writer left it: nobody wrote an entry or a view in between."""
        if self._head != head:
            self.forget_all()
            self._head = head
        self.stirred = False

    def moved(self, head: Head, edge: Edge | None = None) -> None:
        """The head is this now; the same entries with another turn if there is no new edge."""
        self._head, self._edge = head, edge or self._edge

    def edge(self, tx: Connection, size: int) -> Edge:
        """The tree's right edge."""
        if self._edge is None or self._edge.size != size:
            self._edge = read_edge(size, lambda positions: nodes.read_nodes(tx, self.code, positions))
        return self._edge

    def facility(self, tx: Connection) -> Facility:
        """The facility. Raises Unknown."""
        if self._facility is None:
            self._facility = facility_of(tx, self.code)
        return self._facility

    def asset_rows(self, tx: Connection, tags: Iterable[str]) -> dict[str, Row[Any]]:
        """Views of the assets that are registered."""
        wanted = set(tags)
        found = {tag: row for tag in wanted if (row := self._assets.seen(tag)) is not None}
        if missing := wanted - found.keys():
            for tag, row in views.assets_by_tag(tx, self.code, missing).items():
                found[tag] = self._assets.keep(tag, row)
        return found

    def assets(self, tx: Connection, tags: Iterable[str]) -> dict[str, Asset]:
        """Registers of the assets that are registered."""
        found, missing = dict[str, Asset](), list[str]()
        for tag in dict.fromkeys(tags):
            kept = self._registers.seen(tag)
            if kept is None:
                missing.append(tag)
            else:
                found[tag] = kept
        for tag, row in self.asset_rows(tx, missing).items() if missing else ():
            found[tag] = self._registers.keep(tag, asset_of(row))
        return found

    def asset(self, tx: Connection, tag: str) -> Asset | None:
        """The register of one asset."""
        return self._registers.seen(tag) or self.assets(tx, [tag]).get(tag)

    def load_children(self, tx: Connection, tags: Iterable[str]) -> None:
        """Have all that hangs below these assets at hand."""
        waiting = list(dict.fromkeys(tags))
        while waiting:
            missing = [tag for tag in waiting if tag not in self._children]
            found = views.children(tx, self.code, missing) if missing else {}
            for tag, children in found.items():
                self._children.keep(tag, children)
            below = [child for children in found.values() for child in children]
            self.assets(tx, below)
            waiting = below

    def children(self, tx: Connection, tag: str) -> list[str]:
        """Tags of the assets directly below another."""
        kept = self._children.seen(tag)
        return kept if kept is not None else self._children.keep(tag, views.children(tx, self.code, [tag])[tag])

    def revisions(self, tx: Connection, codes: Iterable[str]) -> dict[str, list[int]]:
        """Revisions of the procedures that are published."""
        wanted = set(codes)
        if missing := wanted - self._revisions.keys():
            self._revisions |= views.revisions(tx, self.code, missing)
        return {code: list(self._revisions[code]) for code in wanted if code in self._revisions}

    def procedure(self, tx: Connection, code: str, revision: int) -> ProcedurePublished | None:
        """A procedure revision."""
        kept = self._procedures.seen((code, revision))
        if kept is None and (row := views.procedure(tx, self.code, code, revision)) is not None:
            kept = self._procedures.keep((code, revision), ProcedurePublished.model_validate(orjson.loads(row.body)))
        return kept

    def instruments(self, tx: Connection, names: Iterable[str]) -> dict[str, InstrumentRecord]:
        """Instruments that are registered."""
        wanted = set(names)
        found = {name: self._instruments.seen(name) for name in wanted if name in self._instruments}
        if missing := wanted - found.keys():
            rows = views.instruments_by_name(tx, self.code, missing)
            for name in missing:
                found[name] = self._instruments.keep(name, instrument_of(rows[name]) if name in rows else None)
        return {name: record for name, record in found.items() if record is not None}

    def load_works(self, tx: Connection, rebuilds: Iterable[str]) -> None:
        """Have these rebuilds at hand, all that are missing read at once."""
        missing = [rebuild for rebuild in dict.fromkeys(rebuilds) if rebuild not in self.works]
        if not missing:
            return
        self.write_rebuilds(tx)
        rows = views.rebuilds_by_id(tx, self.code, missing)
        entries: dict[str, list[Entry]] = {rebuild: [] for rebuild in missing}
        for rebuild, found in stored.of_rebuilds(tx, self.code, missing).items():
            entries[rebuild] = read_all(found)
        for rebuild in missing:
            self.works.keep(rebuild, Work.of(entries[rebuild], rows.get(rebuild)))

    def work(self, tx: Connection, rebuild: str) -> Work:
        """A rebuild; one that no entry has named yet is empty."""
        self.load_works(tx, [rebuild])
        self.works.move_to_end(rebuild)
        return self.works[rebuild]

    def write_later(self, row: dict[str, Any]) -> None:
        """A rebuild's view, to be written with others (``write_rebuilds``)."""
        self._unwritten[row["rebuild"]] = row

    def write_rebuilds(self, tx: Connection) -> None:
        """Write the views that wait: before anything reads such views, and before the transaction ends."""
        if self._unwritten:
            views.put_rebuilds(tx, list(self._unwritten.values()))
            self._unwritten = {}

    def forget_facility(self) -> None:
        """Its name or time zone changed: every closing day may fall on another date."""
        self._facility = None
        self.works.clear()
        self._children.clear()
        self.counts.clear()

    def forget_asset_row(self, tag: str) -> None:
        """Its view changed, but not its register."""
        self._assets.pop(tag, None)

    def forget_asset(self, tag: str) -> None:
        """Its register changed, and with it who hangs below whom."""
        self._assets.pop(tag, None)
        self._registers.pop(tag, None)
        self.exchanges.pop(tag, None)
        self._children.clear()

    def forget_procedure(self, code: str) -> None:
        """A revision was published."""
        self._revisions.pop(code, None)

    def forget_instrument(self, name: str) -> None:
        """A certificate came, or an event."""
        self._instruments.pop(name, None)

    def forget_counts(self, tag: str) -> None:
        """A reading of it was corrected, perhaps into one of another meter."""
        for key in [key for key in self.counts if key[0] == tag]:
            del self.counts[key]

    def mark(self, tx: Connection, rebuilds: Iterable[str]) -> None:
        """Something these rebuilds are judged by changed: they wait to be judged again."""
        wanted = list(rebuilds)
        if wanted:
            views.mark(tx, self.code, wanted)
            self.forget_works(wanted)
            self.marked = self.stirred = True

    def waiting(self, tx: Connection, limit: int) -> list[str]:
        """Some of the rebuilds that wait to be judged again."""
        found = views.marked(tx, self.code, limit) if self.marked else []
        self.marked = bool(found)
        return found

    def forget_works(self, rebuilds: Iterable[str]) -> None:
        """Something they are judged by changed."""
        for rebuild in rebuilds:
            self.works.pop(rebuild, None)
