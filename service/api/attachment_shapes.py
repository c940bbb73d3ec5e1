"""The shapes of answers about attachments, for the OpenAPI document."""

from __future__ import annotations

from pydantic import Field

from service.api.shape import Shape


class StoredShape(Shape):
    """Content that is stored."""

    sha256: str
    media_type: str = Field(description="As it was first stored; it is served as that.", examples=["image/jpeg"])
    bytes: int
    stored_at: str


class AttachedShape(Shape):
    """An attachment as the entry names it, and whether its content is stored here."""

    sha256: str
    media_type: str
    name: str | None = None
    stored: bool = Field(description="GET /attachments/{sha256} has it.")
    bytes: int | None = Field(description="How long it is, if it is stored.")
