"""The whole ledger of a facility into one file, with as much memory for a million entries as for one."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import orjson
from sqlalchemy import Connection

from service.entries.refusals import Contradiction
from service.ledger.export_format import write_header, write_line
from service.ledger.keys import keys_of
from service.ledger.log import Signed
from service.ledger.signed_logs import SignedLogs
from service.merkle import tree
from service.merkle.key import parse_key
from service.merkle.note import read_note
from service.store import entries as stored
from service.store import log
from service.store import tree as nodes
from service.store.engine import Store

AT_ONCE = 256
Progress = Callable[[int, int], None]
"""Called with how many entries are done, and of how many."""


@dataclass(frozen=True, slots=True)
class Withheld:
    """Whose contents are left out: entries of these types, and those observed by these people."""

    types: Collection[str] = ()
    people: Collection[str] = ()

    def has(self, content: str) -> bool:
        """Is this one left out?"""
        if not self.types and not self.people:
            return False
        entry = orjson.loads(content)
        return entry["type"] in self.types or entry.get("by") in self.people


def export(store: Store, signed: SignedLogs, facility: str, to: Path, withheld: Withheld, progress: Progress) -> Signed:
    """Write checkpoint, keys and all entries up to the checkpoint; the file is complete, or not there.

    Raises:
        Unknown, Unsigned, ReadOnly: as for a checkpoint.
        Contradiction: the entries in the database are not those that the checkpoint is about.
    """
    unfinished = to.with_name(f"{to.name}.unfinished")
    try:
        last = signed.last()
        with store.reading() as tx, unfinished.open("wb") as file:
            signed.check(tx)
            present = signed.checkpoint(tx, facility, last)
            file.write(_header(tx, facility, present))
            root = _write_entries(tx, facility, present.checkpoint.size, file, withheld, progress)
        if root != present.checkpoint.root:
            told = "the entries do not lead to the root of the checkpoint: witnessmark verify --database says where"
            raise Contradiction(told, code="damaged")
        signed.remember(present.checkpoint, last)
        unfinished.replace(to)
    finally:
        unfinished.unlink(missing_ok=True)
    return present


def _header(tx: Connection, facility: str, present: Signed) -> bytes:
    signers = {(one.name, one.key_id) for one in read_note(present.note).signatures}
    witnesses = [line for line in log.witness_keys(tx, facility) if _named(line) in signers]
    return write_header(facility, [row.verifier for row in keys_of(tx, facility)], witnesses, present.note)


def _named(line: str) -> tuple[str, bytes]:
    key = parse_key(line)
    return key.name, key.key_id


def _write_entries(
    tx: Connection, facility: str, size: int, file: BinaryIO, withheld: Withheld, progress: Progress
) -> bytes:
    """Write all entries, and give the root that their contents lead to."""
    edge = tree.EMPTY_EDGE
    for leaves, bodies in entries_with_leaves(tx, facility, size):
        contents = [body.encode() for body in bodies]
        told = zip(leaves, bodies, contents, strict=True)
        file.writelines(write_line(leaf, None if withheld.has(body) else content) for leaf, body, content in told)
        edge = tree.append(edge, map(tree.leaf_hash, contents)).edge
        progress(edge.size, size)
    return tree.root(edge)


def entries_with_leaves(tx: Connection, facility: str, size: int) -> Iterator[tuple[list[bytes], list[str]]]:
    """The first ``size`` entries in order, some at a time, each with the leaf hash that stands in the tree for it.

    Raises:
        Contradiction: an entry, or a leaf of the tree, is missing.
    """
    for start in range(0, size, AT_ONCE):
        count = min(AT_ONCE, size - start)
        found = stored.page(tx, facility, start, count)
        gap = next((seq for seq, (there, _) in enumerate(found, start + 1) if there != seq), start + len(found) + 1)
        if gap <= start + count:
            raise Contradiction(f"the entry {gap} is missing from the database", code="damaged")
        try:
            leaves = nodes.read_nodes(tx, facility, [tree.position(0, start + offset) for offset in range(count)])
        except KeyError:
            raise Contradiction(f"a leaf after {start} is missing from the tree", code="damaged") from None
        yield leaves, [body for _, body in found]
