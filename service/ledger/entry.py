"""An entry as the ledger keeps it: canonical text, and what is read back from it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

import orjson
from pydantic import BaseModel

from service.entries.envelope import CLIENT_MEMBERS
from service.entries.words import Moment
from service.merkle.canonical import canonical


def rfc3339(at: datetime) -> str:
    """An instant as the server writes it: UTC, microseconds, Z."""
    return at.astimezone(UTC).replace(tzinfo=None).isoformat(timespec="microseconds") + "Z"


@dataclass(frozen=True, slots=True)
class Entry:
    """A stored entry. ``body`` is the whole of it as plain values; ``said`` its data as a model, where at hand."""

    seq: int
    body: Mapping[str, Any]
    occurred_at: datetime
    said: BaseModel | None = field(default=None, repr=False, compare=False)

    @classmethod
    def read(cls, seq: int, text: str | bytes) -> Entry:
        """From its canonical text."""
        body = orjson.loads(text)
        return cls(seq, body, Moment(body["occurred_at"]).at)

    @property
    def id(self) -> str:
        """UUID, unique in its facility."""
        return str(self.body["id"])

    @property
    def type(self) -> str:
        """Entry type."""
        return str(self.body["type"])

    @property
    def data(self) -> Any:
        """What the entry says, as plain values."""
        return self.body["data"]

    @property
    def asset(self) -> str | None:
        """Tag of the asset it is about."""
        return self.body.get("asset")

    @property
    def rebuild(self) -> str | None:
        """The rebuild it belongs to."""
        return self.body.get("rebuild")

    @property
    def recorded_at(self) -> str:
        """When the server took it, RFC 3339."""
        return str(self.body["recorded_at"])

    @property
    def order(self) -> tuple[datetime, str]:
        """Place in time: equal times in the order of their ids, never of arrival."""
        return self.occurred_at, self.id

    def same_as_sent(self, sent: Mapping[str, Any]) -> bool:
        """Are the client members these, to the byte?"""
        mine = {name: self.body[name] for name in CLIENT_MEMBERS if name in self.body}
        return canonical(mine) == canonical(dict(sent))


def read_all(found: Iterable[tuple[int, str]]) -> list[Entry]:
    """Entries from (seq, canonical text)."""
    return [Entry.read(seq, text) for seq, text in found]
