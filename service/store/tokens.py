"""Bearer tokens, by the SHA-256 of their secret."""

from __future__ import annotations

from typing import Any

from sqlalchemy import Connection, Row, insert, select

from service.store.tables import tokens


def add(tx: Connection, facility: str, token_id: str, secret_sha256: str, scopes: str, created_us: int) -> None:
    """Keep a token."""
    tx.execute(
        insert(tokens).values(
            facility=facility, id=token_id, secret_sha256=secret_sha256, scopes=scopes, created_us=created_us
        )
    )


def by_secret(tx: Connection, secret_sha256: str) -> list[Row[Any]]:
    """Every facility this secret opens: facility, id, scopes, expires_us, revoked_us."""
    wanted = (tokens.c.facility, tokens.c.id, tokens.c.scopes, tokens.c.expires_us, tokens.c.revoked_us)
    return list(tx.execute(select(*wanted).where(tokens.c.secret_sha256 == secret_sha256)))
