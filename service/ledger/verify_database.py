"""A database held against itself: every row, every node, the head, the judgements, and the views made anew beside it.

Triggers keep an ordinary hand from changing what is recorded; whoever gets past them is found here, because the entries
lead to the tree, the tree to the head, and the entries alone to every view.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, BinaryIO

from sqlalchemy import Connection, Table

from service.entries.refusals import Unknown
from service.ledger.entry import Entry
from service.ledger.export_format import Header, write_line
from service.ledger.hands import processes
from service.ledger.last_checkpoints import LastCheckpoints, behind
from service.ledger.read_views import facility_of
from service.ledger.replay import replay
from service.ledger.row import row_of, target_of
from service.ledger.verify import Report
from service.ledger.verify_judged import rejudge
from service.ledger.verify_line import MOST_WRONG, Wrong
from service.ledger.verify_log import Progress, verify_log
from service.merkle import tree
from service.merkle.checkpoint import Checkpoint
from service.store import audit
from service.store import entries as stored
from service.store.engine import Store
from service.store.migrate import migrate

_AT_ONCE = 500


def verify_database(
    store: Store, last: LastCheckpoints, facility: str, progress: Progress, *, with_views: bool = True
) -> Report:
    """Verify a facility's ledger where it is kept.

    Args:
        store: the database; it is only read, in one state of it.
        last: the checkpoints remembered outside it.
        facility: code of the facility.
        progress: told what is being done and how much of it is done.
        with_views: make the views again in a temporary database and compare them.

    Raises:
        Unknown: no such facility.
    """
    report = Report("database")
    with tempfile.TemporaryDirectory(prefix="witnessmark-verify-") as folder:
        copy, lines = Store(f"sqlite:///{folder}/copy.sqlite3"), Path(folder) / "entries"
        try:
            with store.reading() as tx:
                reading = _Reading(tx, facility, report, progress)
                with lines.open("wb") as file:
                    reading.read_all(file, copy if with_views else None)
                checkpoint = reading.head(last)
                if with_views and report.holds and not reading.nodes:
                    _compare_views(tx, copy, facility, report, progress)
        finally:
            copy.close()
        if reading.complete:
            _verify_lines(lines, facility, checkpoint, report, progress)
    return report


@dataclass
class _Reading:
    """The entries and nodes of a facility, read from the first to the last."""

    tx: Connection
    facility: str
    report: Report
    progress: Progress
    complete: bool = True
    """No entry is missing."""
    edge: tree.Edge = tree.EMPTY_EDGE
    """Of the tree that the contents lead to."""
    last_us: int = 0
    nodes: list[Wrong] = field(default_factory=list)
    """Nodes that are not what the contents lead to: as long as it is not known which of the two was changed."""

    def read_all(self, file: BinaryIO, copy: Store | None) -> None:
        """Hold columns against contents and nodes against hashes; write the lines of an export; copy the rows."""
        size = self._head().size
        if copy is not None:
            migrate(copy)
            with copy.writing() as into:
                stored.create_head(into, self.facility, tree.EMPTY_ROOT)
        for start in range(0, size, _AT_ONCE):
            rows = audit.entry_rows(self.tx, self.facility, start, min(_AT_ONCE, size - start))
            if [row["seq"] for row in rows] != list(range(start + 1, min(start + _AT_ONCE, size) + 1)):
                self._wrong(f"entries are missing after {start}, or stand twice")
                self.complete = False
                return
            file.writelines(self._lines(rows))
            self._columns(rows)
            if copy is not None:
                with copy.writing() as into:
                    stored.write(into, rows)
            self.progress("rows", start + len(rows), size)
        if not self.nodes and self.report.holds:
            self.report.found.append(f"{size} rows, their columns and {tree.node_count(size)} nodes of the tree")

    def _head(self) -> Any:
        head = stored.read_head(self.tx, self.facility)
        if head is None:
            raise Unknown(f"no facility {self.facility!r} here", code="unknown_facility")
        return head

    def _lines(self, rows: list[dict[str, Any]]) -> Iterator[bytes]:
        """The lines of an export, each with the leaf that the tree has for its entry."""
        start = tree.node_count(self.edge.size)
        grown = tree.append(self.edge, [tree.leaf_hash(row["body"].encode()) for row in rows])
        there = audit.node_range(self.tx, self.facility, start, tree.node_count(grown.edge.size))
        leaves = {tree.position(0, row["seq"] - 1): row["seq"] for row in rows}
        for position, node in grown.nodes:
            if there.get(position) != node:
                self._node(position, leaves.get(position), missing=position not in there)
        for position, seq in leaves.items():
            yield write_line(there.get(position, bytes(32)), rows[seq - rows[0]["seq"]]["body"].encode())
        self.edge = grown.edge

    def _node(self, position: int, seq: int | None, *, missing: bool) -> None:
        says = f"the node {position} of the tree is {'missing' if missing else 'not the hash of what is under it'}"
        if len(self.nodes) < MOST_WRONG:
            self.nodes.append(Wrong(says, None, seq))

    def _columns(self, rows: list[dict[str, Any]]) -> None:
        """The columns beside an entry's text are what follows from it."""
        try:
            entries = [Entry.read(row["seq"], row["body"]) for row in rows]
        except (ValueError, KeyError, TypeError):  # which of them, their leaf hashes tell
            return
        targets = self._targets(entries)
        for row, entry in zip(rows, entries, strict=True):
            target = targets.get(target_of(entry) or "")
            earlier = target if target is not None and target.seq < entry.seq else None
            for name, value in row_of(self.facility, entry, row["body"], earlier).items():
                if row[name] != value:
                    self._wrong(f"the column {name} has {row[name]!r}, the entry says {value!r}", entry.seq)
        self.last_us = rows[-1]["recorded_us"]

    def _targets(self, entries: Iterable[Entry]) -> dict[str, Entry]:
        wanted = filter(None, map(target_of, entries))
        found = (Entry.read(seq, text) for seq, text in stored.by_ids(self.tx, self.facility, wanted))
        return {target.id: target for target in found}

    def head(self, last: LastCheckpoints) -> Checkpoint:
        """Where the ledger says that it ends, held against what there is and what it has signed."""
        head, origin = self._head(), facility_of(self.tx, self.facility).origin
        late, more = audit.beyond(self.tx, self.facility, head.size, tree.node_count(head.size))
        if late or more:
            self._wrong(f"{late} entries and {more} nodes stand beyond the head, which says {head.size}")
        if self.complete and head.recorded_us != self.last_us:
            self._wrong("the head has another time than its last entry")
        signed = last.all().get(origin)
        if signed is not None and (why := behind(self.tx, self.facility, signed)):
            self._wrong(why)
        elif signed is not None:
            self.report.found.append(f"a continuation of the last checkpoint signed, of {signed.size} entries")
        if self.complete and tree.root(self.edge) == bytes(head.root):  # the contents hold: the nodes do not
            self.report.wrong += self.nodes
        return Checkpoint(origin, head.size, bytes(head.root))

    def _wrong(self, says: str, seq: int | None = None) -> None:
        if len(self.report.wrong) < MOST_WRONG:
            self.report.wrong.append(Wrong(says, None, seq))


def _verify_lines(lines: Path, facility: str, checkpoint: Checkpoint, report: Report, progress: Progress) -> None:
    """What an export of this database would be found to be; its lines are rows here."""
    header, hands = Header(facility, (), (), b""), processes()
    checked = verify_log(lines, header, checkpoint, hands, progress)
    report.wrong += [replace(one, line=None) for one in checked.wrong]
    if not checked.in_order:
        return
    report.found.append(f"{checkpoint.size} leaf hashes and the root, seq, recorded_at and ids")
    told = rejudge(lines, 0, facility, checked.index, hands, progress, withheld=False)
    report.wrong += [replace(one, line=None) for one in told.wrong]
    if not told.wrong:
        report.found.append(f"{told.judged} judgements, given again from the entries")
    report.remarks += [f"{count} judgements are by edition {one}" for one, count in told.other_editions.items()]


def _compare_views(tx: Connection, copy: Store, facility: str, report: Report, progress: Progress) -> None:
    """Make the views again in the copy, and compare row by row."""
    replay(copy, facility, lambda done, size: progress("views", done, size))
    waiting = audit.waiting(tx, facility)
    if waiting:
        report.remarks.append(f"{waiting} rebuilds wait to be judged again: the views of rebuilds were not compared")
    compared = [table for table in audit.COMPARED if not waiting or table.name not in {"rebuilds", "due", "assets"}]
    with copy.reading() as anew:
        for table in compared:
            for wrong in _differences(tx, anew, table, facility):
                report.wrong.append(wrong)
                if len(report.wrong) >= MOST_WRONG:
                    return
    report.found.append(f"the views {', '.join(table.name for table in compared)}, made again and compared")


def _differences(tx: Connection, anew: Connection, table: Table, facility: str) -> Iterator[Wrong]:
    """Rows that are missing, that follow from no entry, or that say something else."""
    here, there = audit.view_rows(tx, table, facility), audit.view_rows(anew, table, facility)
    mine, theirs = next(here, None), next(there, None)
    while mine is not None or theirs is not None:
        if theirs is None or (mine is not None and mine[0] < theirs[0]):
            yield Wrong(f"view {table.name}: {_key(mine)} follows from no entry")
            mine = next(here, None)
        elif mine is None or mine[0] > theirs[0]:
            yield Wrong(f"view {table.name}: {_key(theirs)} is missing")
            theirs = next(there, None)
        else:
            yield from _row_differences(table.name, mine, theirs[1])
            mine, theirs = next(here, None), next(there, None)


def _row_differences(
    name: str, mine: tuple[tuple[Any, ...], Mapping[str, Any]], theirs: Mapping[str, Any]
) -> Iterator[Wrong]:
    for column, value in mine[1].items():
        if theirs[column] != value:
            says = f"{column} has {value!r:.200}, from the entries follows {theirs[column]!r:.200}"
            yield Wrong(f"view {name}: {_key(mine)}: {says}")


def _key(row: Any) -> str:
    return " ".join(str(part) for part in row[0][1:]) or str(row[0][0])
