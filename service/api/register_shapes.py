"""The shapes of assets, procedures and instruments as they are answered: what was recorded, and what is added to it."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import BaseModel, Field, RootModel

from service.api.shapes import ProcedureName, Shape
from service.entries.asset import AssetRegistered
from service.entries.instrument import (
    InstrumentCalibrated,
    InstrumentEvent,
    PressureGauge,
    Thermometer,
    TorqueTool,
)
from service.entries.procedure import ProcedurePublished, Tool
from service.entries.words import Code, Many, Time

_NEXT = "Cursor of the next page; Link: rel=next carries its address."


class AssetShape(AssetRegistered):
    """An asset's register: the members of ``asset.registered`` as they stand."""

    tag: Code
    retired: bool
    out_of_service: bool
    seq: int = Field(description="The last entry that changed it.")


class AssetPage(Shape):
    """A page of assets."""

    items: list[AssetShape]
    next: str | None = Field(description=_NEXT)


class NearSocket(Shape):
    """A socket that goes on, or nearly does, and must not be used."""

    socket: str = Field(examples=["50 mm"])
    why: str = Field(examples=["0.80 mm (1.6 %) too small: one that fits is 0 to 2.5 % larger than the nominal size"])


class SocketsShape(Shape):
    """Sockets for one size across the flats, in both systems."""

    across_flats: dict[str, Any] = Field(description="The size as written, and in millimetres.")
    metric: list[str] = Field(examples=[["52 mm"]])
    inch: list[str] = Field(examples=[["2 in"]])
    near: list[NearSocket]
    source: str


class ToolShape(Tool):
    """A tool to bring; where it has a size across the flats, the sockets that fit."""

    sockets: SocketsShape | None = None


class ProcedureShape(ProcedurePublished):
    """A procedure revision as published, the sockets for its tools, and which revisions there are."""

    tools: Many[ToolShape] = ()
    revisions: Many[int]


class ProcedurePage(Shape):
    """A page of procedures, each with its newest revision."""

    items: list[ProcedureName]
    next: str | None = Field(description=_NEXT)


class EventShape(InstrumentEvent):
    """Something that happened to an instrument, and when."""

    occurred_at: Time


class _Kept(BaseModel):
    calibrations: Many[InstrumentCalibrated]
    events: Many[EventShape]
    seq: int = Field(description="The last entry that changed it.")


class TorqueToolShape(TorqueTool, _Kept):
    """A torque tool with its certificates and events."""


class PressureGaugeShape(PressureGauge, _Kept):
    """A pressure gauge with its certificates and events."""


class ThermometerShape(Thermometer, _Kept):
    """A thermometer with its certificates and events."""


AnyInstrumentShape = Annotated[TorqueToolShape | PressureGaugeShape | ThermometerShape, Field(discriminator="kind")]


class InstrumentShape(RootModel[AnyInstrumentShape]):
    """An instrument with its certificates and events."""


class InstrumentPage(Shape):
    """A page of instruments."""

    items: list[InstrumentShape]
    next: str | None = Field(description=_NEXT)
