"""Attachments by the SHA-256 of their content."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from sqlalchemy import Connection, Row, bindparam, insert, select
from sqlalchemy.dialects import postgresql, sqlite

from service.store.attachment_tables import attachments, pieces
from service.store.prepared import Prepared, run_in


def add(tx: Connection, row: Mapping[str, Any]) -> bool:
    """Note that content is stored; False where it is already, or somebody else has just stored it."""
    insert_ = sqlite.insert(attachments) if tx.dialect.name == "sqlite" else postgresql.insert(attachments)
    new = insert_.values(row).on_conflict_do_nothing().returning(attachments.c.sha256)
    return tx.execute(new).first() is not None


def add_piece(tx: Connection, facility: str, sha256: str, number: int, content: bytes) -> None:
    """Keep one piece of it."""
    _ADD_PIECE.run(tx, facility=facility, sha256=sha256, number=number, content=content)


_ADD_PIECE = Prepared(insert(pieces))


def find(tx: Connection, facility: str, sha256: str) -> Row[Any] | None:
    """What is known of stored content: media_type, size, stored_us."""
    return next(of_digests(tx, facility, [sha256]), None)


def of_digests(tx: Connection, facility: str, digests: Iterable[str]) -> Iterator[Row[Any]]:
    """The same for those of these digests whose content is stored."""
    return run_in(tx, _of_digests, facility, digests)


def _of_digests(wanted: list[Any]) -> Any:
    here = attachments.c.facility == bindparam("facility")
    return select(attachments).where(here, attachments.c.sha256.in_(wanted))


def piece(tx: Connection, facility: str, sha256: str, number: int) -> bytes | None:
    """One piece of the content; None after the last."""
    found = _PIECE.first(tx, facility=facility, sha256=sha256, number=number)
    return bytes(found.content) if found is not None else None


_PIECE = Prepared(
    select(pieces.c.content).where(
        pieces.c.facility == bindparam("facility"),
        pieces.c.sha256 == bindparam("sha256"),
        pieces.c.number == bindparam("number"),
    )
)
