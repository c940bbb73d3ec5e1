"""The last checkpoint of each log, remembered outside the database.

    {"skerrow.example/regulators": {"root": "5LblzUGB…", "size": 4}}

A database put back from a backup knows nothing of what came after it; this file does. It is written before a
checkpoint leaves and at a clean stop, and only ever grows: a log whose database is behind it, or has another tree, has
lost entries that somebody may hold a proof of.
"""

from __future__ import annotations

import fcntl
import os
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TypeAlias

import orjson
from sqlalchemy import Connection

from service.entries.refusals import Unsigned
from service.merkle.checkpoint import Checkpoint, CheckpointError
from service.merkle.spelling import base64_bytes, base64_text
from service.merkle.tree import EMPTY_EDGE, Edge, read_edge, root
from service.store import entries as stored
from service.store import tree as nodes

Last: TypeAlias = Mapping[str, Checkpoint]
"""By origin, the last checkpoint that a log has signed."""


class LastCheckpoints:
    """The file beside the key file."""

    def __init__(self, key_file: Path) -> None:
        self.path = key_file.with_name(key_file.stem + ".checkpoints.json")

    def all(self) -> Last:
        """The last checkpoint of each log. Raises Unsigned where the file cannot be read."""
        return self._read()

    def remember(self, *checkpoints: Checkpoint) -> None:
        """Keep these, unless larger ones are kept.

        Raises:
            Unsigned: the file cannot be read, or written: what nobody remembers must not be signed.
        """

        def grown(kept: Last) -> Last:
            new = {
                one.origin: one
                for one in checkpoints
                if one.size > (kept[one.origin].size if one.origin in kept else 0)
            }
            return {**kept, **new}

        try:
            self._change(grown)
        except OSError as trouble:
            raise Unsigned(f"the last checkpoint cannot be kept in {self.path}: {trouble.strerror}") from trouble

    def forget(self, origin: str) -> None:
        """An operator has said what happened."""
        self._change(lambda kept: {name: one for name, one in kept.items() if name != origin})

    def _change(self, change: Callable[[Last], Last]) -> None:
        with self._alone():
            kept = self._read()
            if (changed := change(kept)) != kept:
                self._write(changed)

    def _read(self) -> Last:
        try:
            told = orjson.loads(self.path.read_bytes())
            return {name: Checkpoint(name, one["size"], base64_bytes(one["root"])) for name, one in told.items()}
        except FileNotFoundError:
            return {}
        except (OSError, ValueError, TypeError, KeyError, AttributeError, CheckpointError) as trouble:
            raise Unsigned(f"the last checkpoints in {self.path} cannot be read: {trouble}") from trouble

    def _write(self, kept: Last) -> None:
        """The old file or the new one, whatever happens between."""
        told = {name: {"root": base64_text(one.root), "size": one.size} for name, one in kept.items()}
        text = orjson.dumps(told, option=orjson.OPT_INDENT_2 | orjson.OPT_SORT_KEYS | orjson.OPT_APPEND_NEWLINE)
        unfinished = self.path.with_name(f"{self.path.name}.unfinished")
        with unfinished.open("wb") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        unfinished.replace(self.path)

    @contextmanager
    def _alone(self) -> Iterator[None]:
        """Several processes of one service share the file."""
        descriptor = os.open(self.path.with_name(f"{self.path.name}.lock"), os.O_RDWR | os.O_CREAT, 0o600)
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX)
            yield
        finally:
            os.close(descriptor)


def behind(tx: Connection, facility: str, last: Checkpoint) -> str | None:
    """In what way a facility's tree is not a continuation of its last checkpoint; None where it is."""
    head = stored.read_head(tx, facility)
    size = head.size if head else 0
    if size < last.size:
        return f"the log has signed {last.size} entries and the database holds {size}"
    tree: Edge | None = None
    with suppress(KeyError, ValueError):
        tree = read_edge(last.size, lambda positions: nodes.read_nodes(tx, facility, positions))
    if root(tree or EMPTY_EDGE) != last.root:
        return f"the first {last.size} entries are not those that the log has signed"
    return None
