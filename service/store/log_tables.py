"""The tables of what stands beside the log: operational state, backed up and not replayed; see ``tables``."""

from __future__ import annotations

from sqlalchemy import Column, Text
from sqlmodel import Field, SQLModel

from service.store.columns import big


class LogKeyRow(SQLModel, table=True):
    """The public half of a key that signs a facility's log, as a verifier key line; the current one is not retired."""

    __tablename__ = "log_keys"

    facility: str = Field(primary_key=True)
    key_id: str = Field(primary_key=True)
    verifier: str = Field(sa_column=Column(Text, nullable=False))
    since_size: int = Field(sa_column=big())
    created_us: int = Field(sa_column=big())
    retired_us: int | None = Field(default=None, sa_column=big(nullable=True))


class WitnessRow(SQLModel, table=True):
    """A witness that is listened to, by its verifier key line."""

    __tablename__ = "witnesses"

    facility: str = Field(primary_key=True)
    key_id: str = Field(primary_key=True)
    verifier: str = Field(sa_column=Column(Text, nullable=False))
    created_us: int = Field(sa_column=big())


class CosignatureRow(SQLModel, table=True):
    """A witness's signature line over the checkpoint of a size."""

    __tablename__ = "cosignatures"

    facility: str = Field(primary_key=True)
    size: int = Field(sa_column=big(key=True))
    key_id: str = Field(primary_key=True)
    line: str = Field(sa_column=Column(Text, nullable=False))


log_keys = LogKeyRow.__table__  # type: ignore[attr-defined]
witnesses = WitnessRow.__table__  # type: ignore[attr-defined]
cosignatures = CosignatureRow.__table__  # type: ignore[attr-defined]
