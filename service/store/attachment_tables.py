"""The tables of attachments: operational state, backed up with the ledger and not replayed.

The content stands in the database, in pieces: one backup, one replica and one transaction hold the entry and the
photograph it names, on either engine. No guard keeps it: what the ledger pins is the digest, and a photograph that had
to go leaves that behind.
"""

from __future__ import annotations

from sqlalchemy import BigInteger, Column, LargeBinary
from sqlmodel import Field, SQLModel


class AttachmentRow(SQLModel, table=True):
    """Content that is stored whole; ``size`` in bytes, ``credential`` the token that brought it."""

    __tablename__ = "attachments"

    facility: str = Field(primary_key=True)
    sha256: str = Field(primary_key=True)
    media_type: str
    size: int = Field(sa_column=Column(BigInteger, nullable=False))
    stored_us: int = Field(sa_column=Column(BigInteger, nullable=False))
    credential: str


class PieceRow(SQLModel, table=True):
    """A piece of some content, by its number from 0 on."""

    __tablename__ = "attachment_pieces"

    facility: str = Field(primary_key=True)
    sha256: str = Field(primary_key=True)
    number: int = Field(primary_key=True)
    content: bytes = Field(sa_column=Column(LargeBinary, nullable=False))


attachments = AttachmentRow.__table__  # type: ignore[attr-defined]
pieces = PieceRow.__table__  # type: ignore[attr-defined]
