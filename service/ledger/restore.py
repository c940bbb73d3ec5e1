"""A ledger put back from an export into a database that does not have it: the same entries, tree, root and views.

Entries, nodes and head are written in one transaction, some at a time, and each is checked on its way; what is not
what the log signed leaves nothing behind. The views are made afterwards, as a replay makes them.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import partial
from itertools import islice
from pathlib import Path
from typing import Any

from sqlalchemy import Connection
from sqlalchemy.exc import IntegrityError

from service.entries.refusals import Contradiction, NotAFact
from service.ledger.entry import Entry
from service.ledger.export import Progress
from service.ledger.export_format import MOST_LINE, Header, NotAnExportError, read_header
from service.ledger.replay import replay
from service.ledger.row import row_of, target_of
from service.ledger.verify_line import Explained
from service.merkle import tree
from service.merkle.checkpoint import CheckpointError, SignedCheckpoint, open_checkpoint
from service.merkle.key import NoteError, VerifierKey
from service.store import entries as stored
from service.store import tree as nodes
from service.store.engine import Store

AT_ONCE = 1_000


def restore(store: Store, path: Path, keys: Sequence[VerifierKey], progress: Progress) -> SignedCheckpoint:
    """Put the ledger of an export into a database, with all its views.

    Args:
        store: where it goes; there must be no facility of this code.
        path: of the export, with all contents.
        keys: verifier keys known from elsewhere; without any, those of the file are taken.
        progress: told how many entries are written, then again how many the views are made from.

    Raises:
        NotAFact: the file is no export, or not what its log has signed, or contents are withheld.
        Contradiction: the facility is there.
    """
    with path.open("rb") as file:
        header, signed = _opened(file, keys)
        size = signed.checkpoint.size
        with store.writing() as tx:
            if not stored.create_head(tx, header.facility, tree.EMPTY_ROOT):
                raise Contradiction(f"there is a facility {header.facility!r}", code="already_open_facility")
            putting = _Putting(tx, header.facility, Explained(header.facility))
            lines = enumerate(iter(partial(file.readline, MOST_LINE), b""), header.lines + 1)
            while some := list(islice(lines, AT_ONCE)):
                putting.put(some)
                progress(putting.edge.size, size)
            if (putting.edge.size, tree.root(putting.edge)) != (size, signed.checkpoint.root):
                raise _refused("its entries do not lead to the root that the log has signed")
            stored.move_head(tx, header.facility, size, signed.checkpoint.root, putting.recorded_us)
    replay(store, header.facility, progress)
    return signed


def _opened(file: Any, keys: Sequence[VerifierKey]) -> tuple[Header, SignedCheckpoint]:
    try:
        header = read_header(file)
        return header, open_checkpoint(header.note, dict.fromkeys(keys) or header.keys)
    except (NotAnExportError, NoteError, CheckpointError) as refusal:
        raise _refused(str(refusal)) from None


def _refused(detail: str) -> NotAFact:
    return NotAFact(f"this cannot be replayed: {detail}", code="not_an_export")


@dataclass
class _Putting:
    """A ledger on its way into the database."""

    tx: Connection
    facility: str
    explained: Explained
    edge: tree.Edge = tree.EMPTY_EDGE
    recorded_us: int = 0
    _targets: dict[str, Entry | None] = field(default_factory=dict)

    def put(self, lines: Sequence[tuple[int, bytes]]) -> None:
        """Check some lines and write what they say."""
        self.explained.explain(lines)
        if self.explained.wrong:
            raise _refused(str(self.explained.wrong[0]))
        contents = [line.partition(b" ")[2][:-1] for _, line in lines]
        if not all(contents):
            number = next(number for (number, _), content in zip(lines, contents, strict=True) if not content)
            raise _refused(f"line {number}: the content of an entry is withheld")
        entries = [Entry.read(self.edge.size + offset, content) for offset, content in enumerate(contents, 1)]
        self._know_targets(entries)
        try:
            stored.write(self.tx, [self._row(entry, text) for entry, text in zip(entries, contents, strict=True)])
        except IntegrityError:
            raise _refused("an id occurs twice") from None
        grown = tree.append(self.edge, map(tree.leaf_hash, contents))
        nodes.write_nodes(self.tx, self.facility, grown.nodes)
        self.edge = grown.edge

    def _know_targets(self, entries: Iterable[Entry]) -> None:
        """A correction stands where its target does, if that was there when it came."""
        self._targets = dict.fromkeys(filter(None, map(target_of, entries)))
        for seq, text in stored.by_ids(self.tx, self.facility, self._targets):
            target = Entry.read(seq, text)
            self._targets[target.id] = target

    def _row(self, entry: Entry, text: bytes) -> dict[str, Any]:
        if entry.id in self._targets:
            self._targets[entry.id] = entry
        row = row_of(self.facility, entry, text.decode(), self._targets.get(target_of(entry) or ""))
        self.recorded_us = row["recorded_us"]
        return row
