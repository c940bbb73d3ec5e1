"""A stretch of a tree's leaves folded on its own, so that several hands can share the hashing of one tree.

A stretch that begins and ends anywhere is a row of perfect subtrees: small ones up to the first big boundary, big ones,
small ones again at its end. Their roots, put side by side with those of the stretches before, carry like the digits of
a binary number and give the edge of the whole.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from hashlib import sha256
from typing import NamedTuple

from service.merkle.tree import Edge, node_hash


class Subtree(NamedTuple):
    """A perfect subtree: its level and its root."""

    level: int
    root: bytes


def fold_stretch(start: int, leaves: Sequence[bytes]) -> list[Subtree]:
    """The perfect subtrees over consecutive leaves, left to right; about one hash for each leaf.

    Args:
        start: index of the first leaf in the whole tree.
        leaves: their hashes, in order.
    """
    left, right = list[Subtree](), list[Subtree]()
    level, row = 0, leaves
    while row:
        if start & 1:  # its left sibling is not in this stretch
            left.append(Subtree(level, row[0]))
            row, start = row[1:], start + 1
        if len(row) & 1:
            right.append(Subtree(level, row[-1]))
            row = row[:-1]
        row = [
            sha256(b"\1" + one + other).digest() for one, other in zip(row[::2], row[1::2], strict=True)
        ]  # node_hash
        level, start = level + 1, start >> 1
    return left + right[::-1]


class GrowingTree:
    """A tree put together from stretches that follow one another."""

    def __init__(self) -> None:
        self._size = 0
        self._row: list[Subtree] = []

    def extend(self, subtrees: Iterable[Subtree]) -> None:
        """Put a stretch to the right. Precondition: it begins where this tree ends."""
        for level, root in subtrees:
            self._size += 1 << level
            node = root
            while self._row and self._row[-1].level == level:
                node = node_hash(self._row.pop().root, node)
                level += 1  # noqa: PLW2901 - carried one up
            self._row.append(Subtree(level, node))

    @property
    def edge(self) -> Edge:
        """The tree's right edge."""
        return Edge(self._size, tuple(subtree.root for subtree in self._row))
