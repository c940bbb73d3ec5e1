"""Torque tools, gauges and thermometers, and what their certificates say."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, RootModel, field_validator, model_validator

from service.entries.quantity import (
    Length,
    Measure,
    Pressure,
    PressureDifference,
    Temperature,
    TemperatureDifference,
    Torque,
)
from service.entries.words import Amount, CalendarSpan, Code, Date, DecimalText, Model, Name, Text, refuse


class _Instrument(Model):
    instrument: Code
    serial: Name | None = None
    interval: CalendarSpan | None = None


class TorqueTool(_Instrument):
    """A torque tool; ``lever`` is the length from the grip's centre to the drive."""

    kind: Literal["torque_tool"]
    type: Literal["setting", "dial", "electronic", "bending_bar", "screwdriver"] | None = None
    max: Torque | None = None
    min: Torque | None = None
    resolution: Torque | None = None
    lever: Length | None = None


class PressureGauge(_Instrument):
    """A pressure gauge; ``class_percent`` is its accuracy class, per cent of span."""

    kind: Literal["pressure_gauge"]
    max: Pressure | None = None
    min: Pressure | None = None
    resolution: PressureDifference | None = None
    class_percent: Amount | None = None


class Thermometer(_Instrument):
    """A thermometer."""

    kind: Literal["thermometer"]
    max: Temperature | None = None
    min: Temperature | None = None
    resolution: TemperatureDifference | None = None


AnyInstrument = Annotated[TorqueTool | PressureGauge | Thermometer, Field(discriminator="kind")]


class InstrumentRegistered(RootModel[AnyInstrument]):
    """A torque tool, pressure gauge or thermometer enters the register; registered again, the latest holds."""


class InstrumentCalibrated(Model):
    """A calibration certificate.

    Error is (indicated − reference)/reference, in per cent: of the reading unless it says span.
    """

    instrument: Code
    on: Date
    certificate: Name | None = None
    of: Literal["reading", "span"] = "reading"
    uncertainty_percent: Amount | None = None
    uncertainty: Measure | None = None
    k: Amount | None = None
    as_found_error_percent: DecimalText | None = None
    as_left_error_percent: DecimalText | None = None
    valid_until: Date | None = None
    laboratory: Name | None = None

    @field_validator("uncertainty")
    @classmethod
    def _a_magnitude(cls, uncertainty: Measure | None) -> Measure | None:
        if uncertainty is not None and uncertainty.number < 0:
            raise refuse("negative", "this magnitude cannot be negative")
        return uncertainty

    @model_validator(mode="after")
    def _one_uncertainty(self) -> Self:
        if self.uncertainty is not None and self.uncertainty_percent is not None:
            raise refuse("two_uncertainties", "uncertainty or uncertainty_percent, not both")
        return self


class InstrumentEvent(Model):
    """Something that happened to an instrument between calibrations."""

    instrument: Code
    event: Literal["dropped", "overloaded", "repaired"]
    note: Text | None = None
