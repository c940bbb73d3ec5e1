"""The shapes of what the log answers in JSON, for the OpenAPI document."""

from __future__ import annotations

from pydantic import Field

from service.api.shapes import Shape


class LogKey(Shape):
    """A key that signs the log, or has signed it."""

    key: str = Field(description="Verifier key line (C2SP signed-note).")
    key_id: str
    since_size: int = Field(description="It signs checkpoints from this size on.")
    created_at: str
    retired_at: str | None = Field(description="From then on another key signs; null: it is the current one.")


class LogKeys(Shape):
    """Every key of the log, oldest first."""

    items: list[LogKey]
