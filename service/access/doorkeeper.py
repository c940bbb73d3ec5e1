"""Whom the service has just let in: a busy caller is looked up once a second, not with every request."""

from __future__ import annotations

import hashlib
from collections import OrderedDict
from datetime import datetime, timedelta

from service.access.tokens import Caller

MOMENT = timedelta(seconds=1)
"""How long a caller is let in unseen: a revoked token may go on for so long."""
_MOST = 10_000


class Doorkeeper:
    """Remembers callers by the digest of what they showed, never the secret itself."""

    def __init__(self) -> None:
        self._let_in: OrderedDict[tuple[str, bytes], tuple[Caller, datetime]] = OrderedDict()

    def knows(self, facility: str, authorization: str | None, now: datetime) -> Caller | None:
        """The caller, if let in a moment ago."""
        caller, at = self._let_in.get((facility, _digest(authorization)), (None, now))
        return caller if caller is not None and at <= now < at + MOMENT else None

    def lets_in(self, caller: Caller, authorization: str | None, now: datetime) -> Caller:
        """Remember a caller who has shown a good token."""
        key = (caller.facility, _digest(authorization))
        self._let_in[key] = (caller, now)
        self._let_in.move_to_end(key)
        if len(self._let_in) > _MOST:
            self._let_in.popitem(last=False)
        return caller


def _digest(authorization: str | None) -> bytes:
    return hashlib.sha256((authorization or "").encode("utf-8", "surrogateescape")).digest()
