r"""The append-only tree over the entries: RFC 9162 section 2.1 (hashes as in RFC 6962).

The tree of n leaves is the row of the largest perfect subtrees that fit side by side, biggest first, one for each
one-bit in n: five leaves are a tree of four and a tree of one. Their roots are the tree's *edge*. The edge is
all that appending needs, and folding it from the right gives the root.

        n = 5      root          A node is named by its level (a leaf is level 0) and its index on that level. It
                  /    \         covers leaves index·2^level up to (index + 1)·2^level and, once those exist, never
                (2,0)   \        changes. So complete nodes can be kept in a table that only grows, numbered in the
               /    \    \       order in which they become complete (post-order):
           (1,0)  (1,1)   \
           /  \    /  \    \         leaf 0, leaf 1, (1,0), leaf 2, leaf 3, (1,1), (2,0), leaf 4, …
          0    1  2    3    4        0       1       2      3       4       5      6      7

Nodes that are not yet complete (here: the root) are computed when asked for and never stored. Nothing here knows where
nodes are kept: reading is an argument.
"""

import hashlib
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple, TypeAlias

HASH_SIZE: Final = 32

EMPTY_ROOT: Final = hashlib.sha256(b"").digest()
"""The root of the tree without leaves. Source: RFC 9162 section 2.1.1."""

Read: TypeAlias = Callable[[Sequence[int]], Sequence[bytes]]
"""Given positions, each at most once and in no special order, the hashes stored there in the order asked for.

Called once for each question, with everything that question needs, and not at all when it needs nothing. A position
that is missing must raise rather than be left out.
"""


def leaf_hash(data: bytes) -> bytes:
    """SHA-256(0x00 ‖ data): the hash of one entry's canonical bytes. Source: RFC 9162 section 2.1.1."""
    return hashlib.sha256(b"\x00" + data).digest()


def node_hash(left: bytes, right: bytes) -> bytes:
    """SHA-256(0x01 ‖ left ‖ right). The first byte keeps an inner node from passing for an entry.

    Source: RFC 9162 section 2.1.1.
    """
    return hashlib.sha256(b"\x01" + left + right).digest()


def node_count(size: int) -> int:
    """How many complete nodes a tree of `size` leaves has: 2n minus the number of one-bits in n.

    This is also the position that the next leaf will take.
    """
    return 2 * size - size.bit_count()


def position(level: int, index: int) -> int:
    """Where the node `index` of `level` is kept.

    A node becomes complete with the last leaf under it, right after the `level` smaller nodes that end with the same
    leaf. That leaf takes the first position after all nodes of the leaves before it.

    Raises:
        ValueError: a negative level or index.
    """
    if level < 0 or index < 0:
        raise ValueError(f"no node {index} on level {level}")
    last_leaf = ((index + 1) << level) - 1
    return node_count(last_leaf) + level


def span_positions(start: int, end: int) -> list[int]:
    """The positions of the perfect subtrees, biggest first, that make up the leaves `start` up to `end` (excluded).

    Precondition: `start` is a multiple of the biggest power of two in `end - start`, as it is for every subtree that
    the recursive definitions of RFC 9162 cut out. At most one entry for each bit of the width.
    """
    positions = []
    width = end - start
    while width:
        level = width.bit_length() - 1
        positions.append(position(level, start >> level))
        start += 1 << level
        width -= 1 << level
    return positions


def edge_positions(size: int) -> list[int]:
    """The positions of the edge of a tree of `size` leaves, biggest subtree first; none for the empty tree."""
    return span_positions(0, size)


@dataclass(frozen=True, slots=True)
class Edge:
    """The right edge of a tree: all that is needed to append to it and to know its root.

    Attributes:
        size: the number of leaves.
        hashes: the roots of its perfect subtrees, biggest first, one for each one-bit of `size`.

    Raises:
        ValueError: a negative size, or hashes that cannot be the edge of a tree of that size.
    """

    size: int
    hashes: tuple[bytes, ...]

    def __post_init__(self) -> None:
        if self.size < 0 or len(self.hashes) != self.size.bit_count():
            raise ValueError(f"{len(self.hashes)} hashes are not the edge of {self.size} leaves")
        if any(len(node) != HASH_SIZE for node in self.hashes):
            raise ValueError(f"a hash has {HASH_SIZE} bytes")


EMPTY_EDGE: Final = Edge(0, ())


class Appended(NamedTuple):
    """What appending did.

    Attributes:
        edge: the edge afterwards.
        nodes: (position, hash) of every node that became complete, leaves included, in the order of their positions,
            which continue those of the tree before without a gap.
    """

    edge: Edge
    nodes: list[tuple[int, bytes]]


def read_edge(size: int, read: Read) -> Edge:
    """The edge of a tree of `size` leaves, out of storage.

    Raises:
        ValueError: a negative size, or `read` answered with the wrong number or size of hashes.
    """
    if size < 0:
        raise ValueError(f"no tree of {size} leaves")
    return Edge(size, tuple(read(edge_positions(size)))) if size else EMPTY_EDGE


def append(edge: Edge, leaf_hashes: Iterable[bytes]) -> Appended:
    """Add leaves to the right of a tree. About two hashes for each leaf, whatever the size of the tree.

    Like adding one to a binary number: a new leaf is a subtree of one, and while the edge ends in a subtree of the
    same size the two become one of twice that size. There are as many such carries as `size` ends in one-bits.

    Args:
        edge: the edge before. It is left as it is.
        leaf_hashes: of the new entries, in order.

    Raises:
        ValueError: something that cannot be a leaf hash by its length.
    """
    size = edge.size
    row = list(edge.hashes)
    completed: list[bytes] = []
    for leaf in leaf_hashes:
        if len(leaf) != HASH_SIZE:
            raise ValueError(f"a leaf hash has {HASH_SIZE} bytes, not {len(leaf)}")
        node = leaf
        completed.append(node)
        carries = (size ^ (size + 1)).bit_length() - 1
        for _ in range(carries):
            node = node_hash(row.pop(), node)
            completed.append(node)
        row.append(node)
        size += 1
    return Appended(Edge(size, tuple(row)), list(enumerate(completed, node_count(edge.size))))


def fold(hashes: Sequence[bytes]) -> bytes:
    """The root over perfect subtrees that stand side by side, biggest first: joined from the right.

    Precondition: at least one hash.
    """
    *rest, node = hashes
    for left in reversed(rest):
        node = node_hash(left, node)
    return node


def root(edge: Edge) -> bytes:
    """The root hash of the tree with this edge: MTH of RFC 9162 section 2.1.1."""
    return fold(edge.hashes) if edge.hashes else EMPTY_ROOT
