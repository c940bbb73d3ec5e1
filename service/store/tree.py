"""The nodes of the Merkle tree."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import cache

from sqlalchemy import Connection, bindparam, select

from service.store.prepared import Prepared
from service.store.rows import Rows
from service.store.tables import nodes

_NEW = Rows(nodes)


def read_nodes(tx: Connection, facility: str, positions: Sequence[int]) -> list[bytes]:
    """The hashes at these post-order positions, in the order asked. Raises KeyError for one that is missing."""
    if not positions:
        return []
    values = {f"v{index}": position for index, position in enumerate(positions)}
    found: dict[int, bytes] = dict(_by_position(len(positions)).tuples(tx, facility=facility, **values))
    return [bytes(found[position]) for position in positions]


@cache
def _by_position(count: int) -> Prepared:
    wanted = nodes.c.position.in_([bindparam(f"v{index}") for index in range(count)])
    return Prepared(select(nodes.c.position, nodes.c.hash).where(nodes.c.facility == bindparam("facility"), wanted))


def write_nodes(tx: Connection, facility: str, new: Iterable[tuple[int, bytes]]) -> None:
    """Append nodes that have become complete."""
    _NEW.write(tx, [{"facility": facility, "position": position, "hash": value} for position, value in new])
