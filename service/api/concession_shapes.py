"""The shapes of concessions, for the OpenAPI document."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from service.api.shape import Shape


class AcceptedShape(Shape):
    """A concession beside the finding it is about; it does not change the verdict."""

    entry: str
    at: str
    by: str | None
    reason: str
    authority: str


class ConcessionShape(AcceptedShape):
    """A concession, and whether it stands."""

    check: str
    subject: str | None = Field(description="null: all that the check found.")
    standing: Literal["stands", "settled", "no_such_finding", "withdrawn"]
    says: str
    later: list[str] = Field(description="Entries the finding rests on that are later than the concession.")
