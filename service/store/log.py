"""What stands beside the log: its public keys, its witnesses, and their signatures."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sqlalchemy import Connection, Row, delete, insert, select

from service.store.log_tables import cosignatures, log_keys, witnesses
from service.store.put import put
from service.store.tables import heads


def add_key(tx: Connection, row: Mapping[str, Any]) -> None:
    """Keep the public half of a signing key."""
    tx.execute(insert(log_keys).values(row))


def keys(tx: Connection, facility: str) -> list[Row[Any]]:
    """Every key of a log, oldest first; the last is the current one."""
    query = select(log_keys).where(log_keys.c.facility == facility)
    return list(tx.execute(query.order_by(log_keys.c.retired_us.is_(None), log_keys.c.created_us)))


def current_keys(tx: Connection) -> dict[str, str]:
    """By facility, the verifier key line it signs under now."""
    query = select(log_keys.c.facility, log_keys.c.verifier).where(log_keys.c.retired_us.is_(None))
    return {row.facility: row.verifier for row in tx.execute(query.order_by(log_keys.c.facility))}


def keyless(tx: Connection) -> list[str]:
    """Facilities whose log has no key."""
    query = select(heads.c.facility).where(heads.c.facility.not_in(select(log_keys.c.facility)))
    return list(tx.execute(query.order_by(heads.c.facility)).scalars())


def retire_key(tx: Connection, facility: str, now_us: int) -> None:
    """From now on another key signs."""
    mine = (log_keys.c.facility == facility, log_keys.c.retired_us.is_(None))
    tx.execute(log_keys.update().where(*mine).values(retired_us=now_us))


def add_witness(tx: Connection, row: Mapping[str, Any]) -> None:
    """Listen to a witness."""
    tx.execute(insert(witnesses).values(row))


def witness_keys(tx: Connection, facility: str) -> list[str]:
    """Verifier key lines of the witnesses that are listened to."""
    query = select(witnesses.c.verifier).where(witnesses.c.facility == facility)
    return list(tx.execute(query.order_by(witnesses.c.created_us, witnesses.c.key_id)).scalars())


def put_cosignature(tx: Connection, facility: str, size: int, key_id: str, line: str) -> None:
    """Keep what a witness signed; of several over one size the last. Those over smaller sizes are no longer served."""
    tx.execute(delete(cosignatures).where(cosignatures.c.facility == facility, cosignatures.c.size < size))
    put(tx, cosignatures, [{"facility": facility, "size": size, "key_id": key_id, "line": line}])


def cosignature_lines(tx: Connection, facility: str, size: int) -> list[str]:
    """Signature lines of the witnesses over the checkpoint of this size."""
    query = select(cosignatures.c.line).where(cosignatures.c.facility == facility, cosignatures.c.size == size)
    return list(tx.execute(query.order_by(cosignatures.c.key_id)).scalars())
