"""The nodes of the Merkle tree."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from sqlalchemy import Connection, insert, select

from service.store.tables import nodes


def read_nodes(tx: Connection, facility: str, positions: Sequence[int]) -> list[bytes]:
    """The hashes at these post-order positions, in the order asked. Raises KeyError for one that is missing."""
    if not positions:
        return []
    query = select(nodes.c.position, nodes.c.hash).where(
        nodes.c.facility == facility, nodes.c.position.in_(list(positions))
    )
    found = {row.position: bytes(row.hash) for row in tx.execute(query)}
    return [found[position] for position in positions]


def write_nodes(tx: Connection, facility: str, new: Iterable[tuple[int, bytes]]) -> None:
    """Append nodes that have become complete."""
    rows = [{"facility": facility, "position": position, "hash": value} for position, value in new]
    if rows:
        tx.execute(insert(nodes), rows)
