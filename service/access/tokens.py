"""Bearer tokens: 256 random bits, shown once, kept as their SHA-256 (a slow hash would be a way to deny service)."""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import cast

from sqlalchemy import Connection

from service.entries.catalogue import SCOPES, Scope
from service.entries.refusals import NotAllowed, Unknown, Unproven
from service.entries.words import microseconds
from service.store import entries, tokens
from service.store.engine import Store

_PREFIX = "wmk_"


@dataclass(frozen=True, slots=True)
class Caller:
    """Who is asking: a token's id (the ``credential`` of what it records), its facility and scopes."""

    credential: str
    facility: str
    scopes: frozenset[Scope]

    def needs(self, scope: Scope) -> None:
        """Raises NotAllowed where the token lacks the scope."""
        if scope not in self.scopes:
            raise NotAllowed(f"this wants the scope {scope}", scope)


def new_token(store: Store, facilities: Iterable[str], scopes: Iterable[Scope], now: datetime) -> str:
    """Make a token for these facilities and give its secret, the only time it can be seen.

    Raises:
        Unknown: no such facility, or no such scope.
    """
    scopes = set(scopes)
    if strange := scopes.difference(SCOPES):
        raise Unknown(f"no scope {min(strange)!r}; there are {', '.join(SCOPES)}", code="unknown_scope")
    wanted = sorted(scopes, key=SCOPES.index)
    secret, token_id = _PREFIX + secrets.token_urlsafe(32), "t-" + secrets.token_hex(6)
    with store.writing() as tx:
        for facility in facilities:
            if entries.read_head(tx, facility) is None:
                raise Unknown(f"no facility {facility!r} here", code="unknown_facility")
            tokens.add(
                tx,
                {
                    "facility": facility,
                    "id": token_id,
                    "secret_sha256": _digest(secret),
                    "scopes": " ".join(wanted),
                    "created_us": microseconds(now),
                },
            )
    return secret


def caller(tx: Connection, facility: str, authorization: str | None, now: datetime) -> Caller:
    """The caller behind an ``Authorization`` header.

    Raises:
        Unproven: no bearer token, or one that is not known, expired or revoked.
        Unknown: a good token, but not for this facility: it is not told whether there is one.
    """
    scheme, _, secret = (authorization or "").partition(" ")
    if scheme.lower() != "bearer" or not secret.strip():
        raise Unproven("send Authorization: Bearer with a token of this facility")
    rows = tokens.by_secret(tx, _digest(secret.strip()))
    until = microseconds(now)
    good = [row for row in rows if row.revoked_us is None and (row.expires_us is None or row.expires_us > until)]
    if not good:
        raise Unproven("this token is not known, or no longer valid", code="invalid_token")
    mine = next((row for row in good if row.facility == facility), None)
    if mine is None:
        raise Unknown(f"no facility {facility!r} here", code="unknown_facility")
    return Caller(mine.id, facility, frozenset(cast("list[Scope]", mine.scopes.split())))


def _digest(secret: str) -> str:
    return hashlib.sha256(secret.encode()).hexdigest()
