"""One serving process for an SQLite file: a lock on a file beside it, which the system releases however that one ends.

Two processes would not harm the file, whose own lock keeps their transactions apart; but each would wait for the other
at every one, and callers of both would be told to come again. Commands that write a little while the service runs
(``facility add``, ``token new``, ``replay``) do not take this lock: they wait their turn like any transaction.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path


class InUse(Exception):
    """Another process serves this database."""


class Alone:
    """The lock, held or not."""

    def __init__(self) -> None:
        self._held: int | None = None

    def claim(self, database: str) -> None:
        """Hold the lock of this database file, ``file:…`` or a path; one that is in memory only has none.

        Where no file can be made there is nothing to keep apart: SQLite could not write there either.

        Raises:
            InUse: another process holds it.
        """
        file = database.removeprefix("file:").partition("?")[0] if database.startswith("file:") else database
        if self._held is not None or file in {"", ":memory:"}:
            return
        path = Path(os.path.realpath(file) + ".serving")
        try:
            held = os.open(path, os.O_RDWR | os.O_CREAT, 0o644)
        except OSError as why:
            if path.exists():
                raise InUse(f"{path}, which keeps this database to one process, cannot be opened: {why}") from None
            return
        if not _locked(held):
            other = os.read(held, 20).decode("ascii", "replace").strip() or "of another user"
            os.close(held)
            raise InUse(f"{database} is served by another process ({other}); an SQLite file takes one at a time")
        os.ftruncate(held, 0)
        os.write(held, f"{os.getpid()}\n".encode())
        self._held = held

    def release(self) -> None:
        """Let another have it. The file stays: taking it away would let two hold locks on two files of one name."""
        if self._held is not None:
            os.close(self._held)
            self._held = None


if sys.platform == "win32":

    def _locked(_held: int) -> bool:
        return True  # its locks keep others from reading whose they are; SQLite's own lock remains

else:
    import fcntl

    def _locked(held: int) -> bool:
        """Taken now, or held by somebody else?"""
        try:
            fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        return True
