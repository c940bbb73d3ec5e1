"""How often something was seen before in one stream, counted on disk: the stream may be of any length.

Beside the ledger, not in it: SQLite's own temporary database, which is gone when it is closed.
"""

from __future__ import annotations

import sqlite3

_COUNT = "INSERT INTO seen VALUES (?, 0) ON CONFLICT DO UPDATE SET before = before + 1 RETURNING before"


class Ordinals:
    """The first of several same things is 0, the next 1 …; about two megabytes are kept in memory."""

    def __init__(self) -> None:
        self._database = sqlite3.connect("", isolation_level=None, check_same_thread=False)
        self._database.execute("PRAGMA journal_mode=OFF")
        self._database.execute("CREATE TABLE seen (digest BLOB PRIMARY KEY, before INTEGER) WITHOUT ROWID")
        self._database.execute("BEGIN")

    def following(self, digest: bytes) -> int:
        """The ordinal of this one, by a digest of what it says."""
        ((before,),) = self._database.execute(_COUNT, (digest,)).fetchall()
        return int(before)

    def close(self) -> None:
        """Forget it all."""
        self._database.close()
