"""Bearer tokens, by the SHA-256 of their secret."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sqlalchemy import Connection, Row, insert, select

from service.store.tables import tokens


def add(tx: Connection, row: Mapping[str, Any]) -> None:
    """Keep a token."""
    tx.execute(insert(tokens).values(row))


def by_secret(tx: Connection, secret_sha256: str) -> list[Row[Any]]:
    """Every facility this secret opens: facility, id, scopes, expires_us, revoked_us."""
    wanted = (tokens.c.facility, tokens.c.id, tokens.c.scopes, tokens.c.expires_us, tokens.c.revoked_us)
    return list(tx.execute(select(*wanted).where(tokens.c.secret_sha256 == secret_sha256)))
