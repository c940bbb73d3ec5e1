"""A node table in memory, in the place of the database."""

from collections.abc import Iterable, Sequence

from service.merkle.tree import EMPTY_EDGE, Edge, append, leaf_hash, root


class StoredTree:
    """Keeps the root of every size it had, writes down every read, and insists on the order of what is written."""

    def __init__(self, entries: Iterable[bytes] = ()) -> None:
        self.nodes: list[bytes] = []
        self.edge: Edge = EMPTY_EDGE
        self.roots: list[bytes] = [root(EMPTY_EDGE)]
        self.reads: list[list[int]] = []
        for entry in entries:
            self.add([entry])
            self.roots.append(root(self.edge))

    def add(self, batch: Iterable[bytes]) -> None:
        self.edge, new = append(self.edge, [leaf_hash(entry) for entry in batch])
        for position, node in new:
            assert position == len(self.nodes)
            self.nodes.append(node)

    def read(self, positions: Sequence[int]) -> list[bytes]:
        self.reads.append(list(positions))
        return [self.nodes[position] for position in positions]
