"""The register: manifolds, banks and regulators by their tag (the position), and their meters."""

from __future__ import annotations

from typing import Any, Self

from pydantic import Field, model_validator

from service.entries.quantity import Area, Length, Pressure, PressureDifference, SpringRate
from service.entries.words import (
    Amount,
    CalendarSpan,
    Code,
    Date,
    Kind,
    Many,
    Model,
    Name,
    Text,
    refuse,
)


class Band(Model):
    """Lowest and highest pressure allowed, both included."""

    low: Pressure
    high: Pressure

    @model_validator(mode="after")
    def _right_way_up(self) -> Self:
        if self.low.si > self.high.si:
            raise refuse("upside_down", "low is above high")
        return self


class DeliveredPressure(Model):
    """Where the delivered pressure is read, and its bands with gas flowing and with none."""

    point: Code
    flowing: Band | None = None
    static: Band | None = None


class LinePressure(Band):
    """The line downstream of both banks: it must stay in this band while one bank is out."""

    point: Code


class Stem(Model):
    """The adjusting stem: enough of it to say what a turn does."""

    pitch: Length | None = None
    pressure_per_turn: PressureDifference | None = None
    spring_rate: SpringRate | None = None
    area: Area | None = None


class ServicePlan(Model):
    """One recurring service: by which procedure, how often, how long before it may be done, and by usage too."""

    procedure: Code
    every: CalendarSpan | None = None
    window: CalendarSpan | None = None
    meter: Kind | None = None
    usage: Amount | None = None

    @model_validator(mode="after")
    def _has_an_interval(self) -> Self:
        if self.every is None and self.usage is None:
            raise refuse("no_interval", "an interval is wanted: every, or meter with usage")
        if (self.meter is None) != (self.usage is None):
            raise refuse("meter_without_usage", "meter and usage go together")
        return self


class ExternalId(Model):
    """What another system calls this."""

    system: Kind
    id: Name


class AssetRegistered(Model):
    """A position and the device in it."""

    tag: Code | None = None
    kind: Kind
    gas: Kind
    location: Name | None = None
    position: Name | None = None
    parent: Code | None = None
    serial: Name | None = None
    delivered_pressure: DeliveredPressure | None = None
    line_pressure: LinePressure | None = None
    stem: Stem | None = None
    service: Many[ServicePlan] = Field(default=(), max_length=20)
    commissioned_on: Date | None = None
    external_ids: Many[ExternalId] = Field(default=(), max_length=20)

    @model_validator(mode="after")
    def _one_plan_a_procedure(self) -> Self:
        if len({plan.procedure for plan in self.service}) < len(self.service):
            raise refuse("two_plans", "one service plan for each procedure")
        return self


class AssetAmended(Model):
    """A merge patch (RFC 7396) on the register; null takes a member away."""

    patch: dict[str, Any] = Field(min_length=1, description="RFC 7396 merge patch on the asset's register.")


class AssetExchanged(Model):
    """Another device in the same position."""

    serial_out: Name | None = None
    serial_in: Name
    reason: Text | None = None


class AssetRetired(Model):
    """The position is no longer in use."""

    reason: Text | None = None


class MeterReplaced(Model):
    """What the meter that came out read last; ``initial_reading``: what the new one read as it went in, absent = 0."""

    final_reading: Amount
    initial_reading: Amount | None = None


class MeterRead(Model):
    """A running count (hours, changeovers). ``replaced``: this is the first reading of a new meter."""

    meter: Kind
    reading: Amount
    replaced: MeterReplaced | None = None
