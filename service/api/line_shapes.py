"""The shapes of what is answered by the line, for the OpenAPI document; see ``shapes``."""

from __future__ import annotations

from typing import Literal

from pydantic import Field, RootModel

from service.api.shapes import ProblemFault, Shape


class LineTaken(Shape):
    """A line that is recorded: 201, or 200 where it was recorded before."""

    line: int = Field(ge=1, description="Its number, empty lines counted, from 1.")
    status: Literal[200, 201]
    id: str
    seq: int = Field(examples=[14])
    replayed: bool


class LineRefused(Shape):
    """A line that is not: the status and the faults it would be answered with alone, pointers into the line."""

    line: int = Field(ge=1)
    status: int = Field(examples=[422])
    errors: list[ProblemFault] = Field(min_length=1)


class LinesDone(Shape):
    """The last line. Without it the answer is not whole: send everything again."""

    done: Literal[True]
    read: int = Field(ge=0, description="Lines answered: all but the empty ones.")
    accepted: int = Field(ge=0, description="Recorded, now or before.")
    refused: int = Field(ge=0)


class LineAnswer(RootModel[LineTaken | LineRefused | LinesDone]):
    """One line of the answer to ``application/x-ndjson``."""
