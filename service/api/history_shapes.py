"""The shapes of what an asset's past teaches. Numbers are decimal text in kPa gauge, turns or kPa a year, rounded."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import Field

from service.api.shapes import Shape
from service.entries.judgement import Verdict

_SAYS = "The sum in words and numbers, enough to redo it with a pencil."


class SeenShape(Shape):
    """Lowest and highest delivered pressure of the adjustments it was learned from."""

    low: str
    high: str


class PerTurnShape(Shape):
    """What one turn in does to the delivered pressure."""

    kpa: str = Field(examples=["31.25"])
    low: str | None
    high: str | None
    confidence: float | None = Field(description="That low to high holds the true value.")
    known_from: Literal["adjustments", "spring", "register"]
    seen: SeenShape | None
    says: str = Field(description=_SAYS)
    entries: list[str]


class ReadingShape(Shape):
    """A delivered pressure, when it was read, and by which entry."""

    kpa: str
    at: str
    entry: str


class NowShape(Shape):
    """The delivered pressure reckoned from; ``read`` is null where the caller gave it."""

    kpa: str
    read: ReadingShape | None


class ReckonedShape(Shape):
    """One number with its interval; null with the reason in ``says`` where it cannot be told."""

    value: str | None
    low: str | None
    high: str | None
    beyond_seen: bool | None = Field(description="It leaves the pressures that this device was seen at.")
    says: str = Field(description=_SAYS)
    advice: str | None


class SettingShape(Shape):
    """Pressure per turn, and what was asked of it."""

    asset: str
    serial: str | None
    flow: Literal["static", "flowing"]
    per_turn: PerTurnShape | None
    now: NowShape | None
    turns: ReckonedShape | None = Field(description="Turns to ``target``: in is positive.")
    pressure: ReckonedShape | None = Field(description="Delivered pressure after ``turns``, kPa.")
    caution: str


class ExchangeShape(Shape):
    """Another device came into the position."""

    at: str
    serial_out: str | None
    serial_in: str
    reason: str | None
    entry: str


class AdjustmentShape(Shape):
    """The setting was adjusted: turns, in being positive, and the pressure before and after as written."""

    at: str
    turns: str
    before: dict[str, Any] | None
    after: dict[str, Any] | None
    flow: Literal["static", "flowing"] | None
    entry: str


class MeasuredShape(Shape):
    """What a check measured at a visit."""

    check: str
    subject: str
    verdict: Verdict
    measured: dict[str, Any] | None


class VisitedBy(Shape):
    """A procedure revision."""

    code: str
    revision: int


class VisitShape(Shape):
    """One rebuild as a point of the series; readings by flow, turns by direction."""

    rebuild: str
    asset: str
    procedure: VisitedBy
    opened_at: str
    closed_at: str | None
    verdict: Verdict
    as_found: dict[str, ReadingShape]
    as_left: dict[str, ReadingShape]
    turns: dict[str, str]
    lockup: list[MeasuredShape]
    adjustments: list[AdjustmentShape]


class StretchShape(Shape):
    """From one visit's reading as left to the next one's as found."""

    left: ReadingShape
    found: ReadingShape
    years: str
    kpa_a_year: str


class OutlookShape(Shape):
    """The delivered pressure to expect on the day of the next service."""

    on: str
    kpa: str
    low: str | None
    high: str | None
    leaves: Literal["whole interval", "middle only", "edge only", "not"] = Field(
        description="How much of the interval will have left the band."
    )
    says: str = Field(description=_SAYS)


class DriftShape(Shape):
    """How the delivered pressure wandered between visits."""

    flow: Literal["static", "flowing"]
    kpa_a_year: str
    low: str | None
    high: str | None
    says: str = Field(description=_SAYS)
    stretches: list[StretchShape]
    outlook: OutlookShape | None


class HistoryShape(Shape):
    """The series of the device now in a position; ``early_warnings`` are advice, never a verdict."""

    asset: str
    serial: str | None
    exchanged: list[ExchangeShape]
    per_turn: PerTurnShape | None
    visits: list[VisitShape]
    between: list[AdjustmentShape]
    drift: list[DriftShape]
    early_warnings: list[str]
