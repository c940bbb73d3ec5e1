"""What all shapes of answers have in common."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict


class Shape(BaseModel):
    """Base of all answer shapes."""

    model_config = ConfigDict(extra="forbid")
