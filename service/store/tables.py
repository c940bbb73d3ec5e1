"""The tables. Every key begins with the facility; none of these classes is ever a wire class.

Three kinds: the ledger (``entries``, ``nodes``: append-only, guarded by triggers), the views (everything that can be
thrown away and rebuilt from the entries), and operational state (``tokens``, and what ``log_tables`` and
``attachment_tables`` have: backed up, not replayed).
"""

from __future__ import annotations

from sqlalchemy import BigInteger, Column, Index, LargeBinary, Text
from sqlmodel import Field, SQLModel

from service.store.columns import big as _big


class EntryRow(SQLModel, table=True):
    """One ledger entry; ``body`` is its canonical text, and the columns beside it are for finding it."""

    __tablename__ = "entries"
    __table_args__ = (
        Index("entries_by_id", "facility", "id", unique=True),
        Index("entries_by_rebuild", "facility", "rebuild", "seq"),
        Index("entries_by_asset", "facility", "asset", "type", "seq"),
        Index("entries_by_subject", "facility", "subject", "seq"),
        Index("entries_by_target", "facility", "corrects"),
    )

    facility: str = Field(primary_key=True)
    seq: int = Field(sa_column=_big(key=True))
    id: str
    type: str
    asset: str | None = None
    rebuild: str | None = None
    subject: str | None = None
    corrects: str | None = None
    occurred_us: int = Field(sa_column=_big())
    recorded_us: int = Field(sa_column=_big())
    body: str = Field(sa_column=Column(Text, nullable=False))


class NodeRow(SQLModel, table=True):
    """A complete node of the RFC 9162 tree, by its post-order position."""

    __tablename__ = "nodes"

    facility: str = Field(primary_key=True)
    position: int = Field(sa_column=_big(key=True))
    hash: bytes = Field(sa_column=Column(LargeBinary(32), nullable=False))


class HeadRow(SQLModel, table=True):
    """Where a facility's ledger ends; locked by whoever appends. ``turn`` counts what was written, entries or views."""

    __tablename__ = "heads"

    facility: str = Field(primary_key=True)
    size: int = Field(sa_column=_big())
    root: bytes = Field(sa_column=Column(LargeBinary(32), nullable=False))
    recorded_us: int = Field(sa_column=_big())
    turn: int = Field(sa_column=Column(BigInteger, nullable=False, server_default="0"))


class FacilityRow(SQLModel, table=True):
    """View: a facility; ``zones`` is a JSON list of [from day, time zone], oldest first."""

    __tablename__ = "facilities"

    facility: str = Field(primary_key=True)
    name: str
    origin: str
    zones: str = Field(sa_column=Column(Text, nullable=False))
    seq: int = Field(sa_column=_big())


class AssetRow(SQLModel, table=True):
    """View: an asset's register as it stands; ``seq`` is the last entry that changed it."""

    __tablename__ = "assets"
    __table_args__ = (Index("assets_by_parent", "facility", "parent", "tag"),)

    facility: str = Field(primary_key=True)
    tag: str = Field(primary_key=True)
    kind: str
    gas: str
    parent: str | None = None
    retired: bool = False
    out_of_service: bool = False
    changed_us: int = Field(sa_column=_big())
    body: str = Field(sa_column=Column(Text, nullable=False))
    seq: int = Field(sa_column=_big())


class ProcedureRow(SQLModel, table=True):
    """View: a procedure revision as published."""

    __tablename__ = "procedures"

    facility: str = Field(primary_key=True)
    code: str = Field(primary_key=True)
    revision: int = Field(primary_key=True)
    body: str = Field(sa_column=Column(Text, nullable=False))
    seq: int = Field(sa_column=_big())


class InstrumentRow(SQLModel, table=True):
    """View: an instrument with its certificates and events, as JSON."""

    __tablename__ = "instruments"

    facility: str = Field(primary_key=True)
    instrument: str = Field(primary_key=True)
    body: str = Field(sa_column=Column(Text, nullable=False))
    seq: int = Field(sa_column=_big())


class RebuildRow(SQLModel, table=True):
    """View: a rebuild, how it stands and what the checks found."""

    __tablename__ = "rebuilds"
    __table_args__ = (
        Index("rebuilds_by_asset", "facility", "asset", "opened_us"),
        Index("rebuilds_by_device", "facility", "serial", "opened_us"),
        Index("rebuilds_by_closing", "facility", "closed_us", "rebuild"),
    )

    facility: str = Field(primary_key=True)
    rebuild: str = Field(primary_key=True)
    asset: str | None = None
    serial: str | None = None
    procedure: str | None = None
    revision: int | None = None
    state: str
    verdict: str
    outcome: str | None = None
    edition: str
    opened_us: int | None = Field(default=None, sa_column=_big(nullable=True))
    closed_us: int | None = Field(default=None, sa_column=_big(nullable=True))
    service_us: int | None = Field(default=None, sa_column=_big(nullable=True))
    in_service: bool | None = None
    stem: str | None = Field(default=None, sa_column=Column(Text, nullable=True))
    adjusted: str | None = Field(default=None, sa_column=Column(Text, nullable=True))
    findings: str = Field(sa_column=Column(Text, nullable=False))
    judged_digest: str | None = None
    first_seq: int = Field(sa_column=_big())
    seq: int = Field(sa_column=_big())


class UseRow(SQLModel, table=True):
    """View: which rebuilds used an instrument."""

    __tablename__ = "uses"

    facility: str = Field(primary_key=True)
    instrument: str = Field(primary_key=True)
    rebuild: str = Field(primary_key=True)


class DueRow(SQLModel, table=True):
    """View: when a service falls due, for a period of days in which that answer holds."""

    __tablename__ = "due"
    __table_args__ = (
        Index("due_soonest", "facility", "to_day", "due_on", "asset", "procedure"),
        Index("due_soonest_by_gas", "facility", "to_day", "gas", "due_on", "asset", "procedure"),
        Index("due_window", "facility", "to_day", "window_days"),
    )

    facility: str = Field(primary_key=True)
    asset: str = Field(primary_key=True)
    procedure: str = Field(primary_key=True)
    from_day: str = Field(primary_key=True)
    to_day: str
    gas: str
    due_on: str
    window_on: str
    window_days: int
    baseline: bool
    why: str | None = None
    anchor: str | None = None
    rebuild: str | None = None
    says: str


class MarkRow(SQLModel, table=True):
    """Rebuilds that something elsewhere has touched and that must be judged again."""

    __tablename__ = "marks"

    facility: str = Field(primary_key=True)
    rebuild: str = Field(primary_key=True)


class TokenRow(SQLModel, table=True):
    """A bearer token for one facility; only the SHA-256 of its secret is kept."""

    __tablename__ = "tokens"
    __table_args__ = (Index("tokens_by_secret", "secret_sha256"),)

    facility: str = Field(primary_key=True)
    id: str = Field(primary_key=True)
    secret_sha256: str
    scopes: str
    created_us: int = Field(sa_column=_big())
    expires_us: int | None = Field(default=None, sa_column=_big(nullable=True))
    revoked_us: int | None = Field(default=None, sa_column=_big(nullable=True))


entries = EntryRow.__table__  # type: ignore[attr-defined]
nodes = NodeRow.__table__  # type: ignore[attr-defined]
heads = HeadRow.__table__  # type: ignore[attr-defined]
facilities = FacilityRow.__table__  # type: ignore[attr-defined]
assets = AssetRow.__table__  # type: ignore[attr-defined]
procedures = ProcedureRow.__table__  # type: ignore[attr-defined]
instruments = InstrumentRow.__table__  # type: ignore[attr-defined]
rebuilds = RebuildRow.__table__  # type: ignore[attr-defined]
uses = UseRow.__table__  # type: ignore[attr-defined]
due = DueRow.__table__  # type: ignore[attr-defined]
marks = MarkRow.__table__  # type: ignore[attr-defined]
tokens = TokenRow.__table__  # type: ignore[attr-defined]

LEDGER = (entries, nodes)
VIEWS = (facilities, assets, procedures, instruments, rebuilds, uses, due, marks)
