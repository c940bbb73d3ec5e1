"""Attachments: files beside entries, named in them by the SHA-256 of their content, which is kept here.

The entry pins the digest under the ledger's proof; the content may come before the entry or years after it. It arrives
in a file of its own and is stored in one transaction once its digest is known to be right: a transfer that breaks off
leaves nothing.
"""

from __future__ import annotations

import hashlib
import tempfile
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final, Self

from sqlalchemy import Connection

from service.entries.refusals import Fault, NotAFact, TooLarge, Unknown, WrongMedia
from service.entries.words import instant, microseconds
from service.ledger.entry import rfc3339
from service.store import attachments as stored

ENDINGS: Final[Mapping[str, str]] = {
    "application/octet-stream": ".bin",
    "application/pdf": ".pdf",
    "application/json": ".json",
    "image/heic": ".heic",
    "image/jpeg": ".jpg",
    "image/png": ".png",
    "image/tiff": ".tif",
    "image/webp": ".webp",
    "text/csv": ".csv",
    "text/plain": ".txt",
    "video/mp4": ".mp4",
}
"""Media types that are kept as such, none of which a browser runs; anything else can be sent as octets."""
PIECE_BYTES = 262_144
_IN_MEMORY_BYTES = 1_048_576


@dataclass(frozen=True, slots=True)
class Kept:
    """Content that is stored: its digest, media type, size in bytes, and since when."""

    sha256: str
    media_type: str
    size: int
    stored_at: datetime

    @classmethod
    def of(cls, row: Any) -> Kept:
        """From its row."""
        return cls(row.sha256, row.media_type, row.size, instant(row.stored_us))

    def shown(self) -> dict[str, Any]:
        """As the wire shows it."""
        return {
            "sha256": self.sha256,
            "media_type": self.media_type,
            "bytes": self.size,
            "stored_at": rfc3339(self.stored_at),
        }


def media_type(said: str | None) -> str:
    """The media type of a ``Content-Type``; none is octets. Raises WrongMedia for one that is not kept."""
    name = (said or "application/octet-stream").partition(";")[0].strip().lower()
    if name not in ENDINGS:
        raise WrongMedia(f"not {name[:80]!r}: one of {', '.join(ENDINGS)}")
    return name


class Arriving:
    """Content on its way in, kept in a temporary file that goes with this object."""

    def __init__(self, most: int) -> None:
        self.size, self._most = 0, most
        self._digest = hashlib.sha256()
        self._file = tempfile.SpooledTemporaryFile(_IN_MEMORY_BYTES)  # noqa: SIM115 - closed at the end of ``with``

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._file.close()

    def expect(self, size: int) -> None:
        """Raises TooLarge where that is more than is taken: said beforehand, or arrived."""
        if size > self._most:
            raise TooLarge(f"an attachment holds at most {self._most} bytes")

    def take(self, piece: bytes) -> None:
        """The next bytes. Raises TooLarge."""
        self.size += len(piece)
        self.expect(self.size)
        self._digest.update(piece)
        self._file.write(piece)

    def settle(self, sha256: str) -> None:
        """It is all there. Raises NotAFact where this is not its digest."""
        if self._digest.hexdigest() != sha256:
            why = f"{self.size} bytes came, with the SHA-256 {self._digest.hexdigest()}: nothing was stored"
            raise NotAFact(why, [Fault("/path/sha256", "wrong_digest", why)], code="wrong_digest")
        self._file.seek(0)

    def pieces(self) -> Iterable[bytes]:
        """The content as it is stored."""
        return iter(lambda: self._file.read(PIECE_BYTES), b"")


def keep(tx: Connection, facility: str, kept: Kept, credential: str, content: Arriving) -> bool:
    """Store settled content; False where it was stored before, and stays as it was."""
    row = {
        "facility": facility,
        "sha256": kept.sha256,
        "media_type": kept.media_type,
        "size": kept.size,
        "stored_us": microseconds(kept.stored_at),
        "credential": credential,
    }
    if not stored.add(tx, row):
        return False
    for number, piece in enumerate(content.pieces()):
        stored.add_piece(tx, facility, kept.sha256, number, piece)
    return True


def find(tx: Connection, facility: str, sha256: str) -> Kept:
    """What is stored under a digest. Raises Unknown."""
    row = stored.find(tx, facility, sha256)
    if row is None:
        raise Unknown("no content with this digest is stored here", code="unknown_attachment")
    return Kept.of(row)


def piece(tx: Connection, facility: str, sha256: str, number: int) -> bytes | None:
    """One piece of stored content; None after the last."""
    return stored.piece(tx, facility, sha256, number)


def beside(tx: Connection, facility: str, named: Iterable[Any]) -> None:
    """Say of each attachment of these facts whether its content is stored, and how long it is.

    Args:
        tx: a reading transaction.
        facility: its code.
        named: facts as the wire shows them; their ``attachments`` are replaced.
    """
    facts = [fact for fact in named if fact["attachments"]]
    digests = {one["sha256"] for fact in facts for one in fact["attachments"]}
    sizes = {row.sha256: row.size for row in stored.of_digests(tx, facility, digests)}
    for fact in facts:
        fact["attachments"] = [
            {**one, "stored": one["sha256"] in sizes, "bytes": sizes.get(one["sha256"])} for one in fact["attachments"]
        ]
