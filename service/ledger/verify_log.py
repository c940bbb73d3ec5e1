"""The log of an export, verified: every leaf, the root, the order, times and ids of the entries.

The file is cut into stretches that are checked side by side and put together in order; nothing but a few hashes and
places is kept of each. Only where something is not as it should be, the file is read once more from the beginning.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import NamedTuple

from service.ledger.export_format import MOST_LINE, Header
from service.ledger.hands import spread
from service.ledger.verify_line import Explained, Wrong
from service.ledger.verify_stretch import Index, Offsets, Stretch, read_stretch, repeated
from service.merkle.checkpoint import Checkpoint
from service.merkle.span import GrowingTree, fold_stretch
from service.merkle.tree import root

AT_ONCE = 2 << 20
"""Bytes of a stretch: enough for some thousand entries."""
Progress = Callable[[str, int, int], None]
"""Called with what is being done, how much of it is done, and of how much."""


class Part(NamedTuple):
    """Whole lines of a file, from a place up to another."""

    path: Path
    start: int
    end: int

    def read(self) -> bytes:
        """Their bytes."""
        with self.path.open("rb") as file:
            file.seek(self.start)
            return file.read(self.end - self.start)


@dataclass
class Checked:
    """What is known of the log so far."""

    tree: GrowingTree = field(default_factory=GrowingTree)
    lines: int = 0
    withheld: int = 0
    in_order: bool = True
    indexed: bool = True
    """All entries could be looked into."""
    last_at: bytes = b""
    keys: list[Offsets] = field(default_factory=list)
    index: Index = field(default_factory=Index)
    wrong: list[Wrong] = field(default_factory=list)

    def take(self, stretch: Stretch) -> None:
        """The next stretch."""
        continues = stretch.start in {None, self.lines}
        if entries := stretch.entries:
            continues = continues and (not entries.first_at or entries.first_at >= self.last_at)
            self.last_at = entries.last_at or self.last_at
            self.keys.append(entries.keys)
            self.index.take(entries.index)
        self.indexed = self.indexed and entries is not None and continues
        self.in_order = self.in_order and stretch.in_order and continues
        if self.in_order:
            unfolded = stretch.start is None
            self.tree.extend(fold_stretch(self.lines, stretch.leaves) if unfolded else stretch.subtrees)
        self.lines += stretch.lines
        self.withheld += stretch.withheld


def verify_log(
    path: Path, header: Header, checkpoint: Checkpoint, hands: int, progress: Progress, *, entries: bool = True
) -> Checked:
    """Check everything below the header against the checkpoint.

    Args:
        path: of the export.
        header: what stands above the entries.
        checkpoint: as the log signed it.
        hands: how many processes share the work.
        progress: told how many bytes are done.
        entries: look into the entries too; if not, it is their bytes alone that are checked.
    """
    checked, whole = Checked(), path.stat().st_size
    parts = list(cut(path, header.length))
    for part, stretch in zip(parts, spread(partial(_read, header.facility, entries), parts, hands), strict=True):
        checked.take(stretch)
        progress("entries", part.end, whole)
    suspects = repeated(checked.keys)
    checked.keys.clear()
    computed = root(checked.tree.edge) if checked.in_order else None
    if not checked.in_order or suspects or computed != checkpoint.root or checked.lines != checkpoint.size:
        checked.in_order = False
        _explain(path, header, checkpoint, checked, suspects)
    return checked


def _read(facility: str, entries: bool, part: Part) -> Stretch:  # noqa: FBT001 - bound by partial, by place
    return read_stretch(part.read(), part.start, facility, entries=entries)


def cut(path: Path, start: int) -> Iterator[Part]:
    """The lines from a place on, in stretches of about the same size, none of which ends inside a line."""
    with path.open("rb") as file:
        whole = path.stat().st_size
        while start < whole:
            file.seek(min(start + AT_ONCE, whole))
            file.readline(MOST_LINE)  # what is longer than a line may be is cut, and is not in order
            yield Part(path, start, file.tell())
            start = file.tell()


def _explain(path: Path, header: Header, checkpoint: Checkpoint, checked: Checked, suspects: Iterable[int]) -> None:
    """Say what differs. Where a leaf hash is wrong, the root says whether the hash was changed or the entry."""
    explained = Explained(header.facility, frozenset(suspects))
    with path.open("rb") as file:
        file.seek(header.length)
        explained.explain(enumerate(iter(partial(file.readline, MOST_LINE), b""), header.lines + 1))
    checked.wrong += explained.wrong
    if checked.lines != checkpoint.size:
        checked.wrong.append(Wrong(f"{checked.lines} entries, where the checkpoint is about {checkpoint.size}"))
    elif explained.stated.size == checkpoint.size:
        stated = root(explained.stated)
        if stated != checkpoint.root:
            checked.wrong.append(_other_root(stated, checkpoint.root, checked.withheld))
    if not checked.wrong:
        checked.wrong.append(Wrong("the entries are not as entries are; this reader cannot say where"))


def _other_root(found: bytes, signed: bytes, withheld: int) -> Wrong:
    among = f", {withheld} of them of contents that are withheld" if withheld else ""
    told = f"the leaf hashes{among} lead to the root {found.hex()}, the checkpoint has {signed.hex()}"
    return Wrong(f"{told}: one of them is not that of the entry that was logged")
