"""The shapes of the answers, for the OpenAPI document.

Answers are written straight from the views, not through these; a test holds them against each other.
"""

from __future__ import annotations

from typing import Any, Literal

from pydantic import Field

from service.api.attachment_shapes import AttachedShape
from service.api.concession_shapes import AcceptedShape, ConcessionShape
from service.api.shape import Shape as Shape  # noqa: PLC0414 - the other shapes take it from here
from service.entries.judgement import State, Verdict


class ProblemFault(Shape):
    """One thing wrong: where (RFC 6901 pointer into the request), a stable code, and words."""

    pointer: str = Field(examples=["/entries/0/data/torque/unit"])
    detail: str = Field(examples=["kPa measures pressure, a torque is wanted"])
    code: str = Field(examples=["wrong_dimension"])


class Problem(Shape):
    """RFC 9457 problem details."""

    type: str
    title: str
    status: int
    detail: str
    code: str
    errors: list[ProblemFault]


class AcceptedEntry(Shape):
    """One entry taken; ``replayed``: it was recorded before."""

    seq: int = Field(examples=[14])
    id: str
    leaf_hash: str = Field(description="RFC 9162 leaf hash of the entry's canonical bytes, hex.")
    replayed: bool


class RebuildState(Shape):
    """How a rebuild stands after the post."""

    id: str
    state: State
    verdict: Verdict


class FindingBrief(Shape):
    """A finding that is new or has changed."""

    rebuild: str
    check: str
    subject: str
    verdict: Verdict


class ReceiptShape(Shape):
    """What was recorded and what followed."""

    accepted: list[AcceptedEntry]
    size: int = Field(description="Entries in the ledger now.")
    root: str = Field(description="RFC 9162 root hash at that size, hex.")
    rebuilds: list[RebuildState]
    findings: list[FindingBrief]


class FindingShape(Shape):
    """One answer of one check, with its arithmetic."""

    check: str = Field(examples=["torque"])
    subject: str = Field(examples=["seat"])
    verdict: Verdict
    counts: bool = Field(description="Does it bear on the rebuild's verdict?")
    measured: dict[str, Any] | None
    required: dict[str, Any] | None
    says: str
    advice: str | None
    source: str
    entries: list[str]
    probability: str | None = None
    accepted: list[AcceptedShape] = Field(default=[], description="Concessions; they do not change the verdict.")


class ProcedureName(Shape):
    """A procedure revision."""

    code: str
    revision: int


class RebuildBrief(Shape):
    """A rebuild in a list."""

    id: str
    asset: str | None
    procedure: ProcedureName | None
    state: State
    verdict: Verdict
    outcome: Literal["returned_to_service", "left_out_of_service", "aborted"] | None
    edition: str
    opened_at: str | None
    closed_at: str | None


class FactShape(Shape):
    """An entry of a rebuild as recorded, and what holds instead where it was corrected."""

    id: str
    seq: int
    type: str
    asset: str | None
    occurred_at: str
    recorded_at: str
    by: str | None
    credential: str
    data: dict[str, Any]
    attachments: list[AttachedShape] | None
    withdrawn: bool
    holds_instead: dict[str, Any] | None
    late_by: str | None = Field(description="How long after the closing it arrived, if it had happened before it.")


class CorrectionShape(Shape):
    """A correction, and whether it holds."""

    id: str
    seq: int
    entry: str
    reason: str
    occurred_at: str
    recorded_at: str
    by: str | None
    withdrawn: bool
    replacement: dict[str, Any] | None
    holds: bool
    why_not: str | None


class JudgedShape(Shape):
    """A judgement as it went into the ledger."""

    seq: int
    recorded_at: str
    edition: str
    state: State
    verdict: Verdict
    through: int
    findings: list[dict[str, Any]]
    accepted: list[str] = Field(description="Concessions about what it found wanting, by their ids; no part of it.")


class RebuildShape(RebuildBrief):
    """Everything about a rebuild."""

    findings: list[FindingShape]
    concessions: list[ConcessionShape]
    facts: list[FactShape]
    corrections: list[CorrectionShape]
    judged: list[JudgedShape]
    seq: int


class DueItem(Shape):
    """One service of one asset."""

    asset: str
    procedure: str
    gas: str
    state: Literal["no_baseline", "not_due", "due", "overdue"]
    due_on: str | None
    window_on: str | None
    days: int | None = Field(description="Days left on the day asked about; negative when overdue.")
    why: Literal["calendar", "usage"] | None
    anchor: str | None = Field(description="The day counted from.")
    rebuild: str | None = Field(description="The rebuild that set the anchor; null: commissioning.")
    out_of_service: bool
    says: str


class DuePage(Shape):
    """A page of the due list, soonest first."""

    as_of: str
    items: list[DueItem]
    next: str | None = Field(description="Cursor of the next page; Link: rel=next carries its address.")


class RecordedEntry(Shape):
    """An entry as it was recorded, its leaf hash and the ids of the corrections to it."""

    id: str
    type: str
    v: int = 1
    occurred_at: str
    asset: str | None = None
    rebuild: str | None = None
    by: str | None = None
    data: dict[str, Any]
    attachments: list[dict[str, Any]] = Field(default=[])
    facility: str
    seq: int
    recorded_at: str
    credential: str = Field(description="The token that recorded it, by its id; the server's own say `server`.")
    scopes: list[str] = Field(default=[], description="Of that token, in a correction: what it may correct.")
    leaf_hash: str = Field(description="RFC 9162 leaf hash of the entry's canonical bytes, hex.")
    corrected_by: list[str]


class EntryPage(Shape):
    """A page of recorded entries."""

    items: list[RecordedEntry]
    next: str | None


class RebuildPage(Shape):
    """A page of rebuilds."""

    items: list[RebuildBrief]
    next: str | None


class CheckShape(Shape):
    """What a check decides."""

    check: str
    decides: str
    formula: str
    source: str


class CheckList(Shape):
    """The catalogue of checks and its edition."""

    edition: str
    items: list[CheckShape]


class Health(Shape):
    """Whether the service runs, and can answer."""

    status: Literal["ok"]
