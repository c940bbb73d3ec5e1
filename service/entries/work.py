"""What happens during a rebuild, one frozen model per entry type."""

from __future__ import annotations

from typing import Annotated, Any, Literal, Self

from pydantic import Field, RootModel, model_validator

from service.entries.quantity import (
    Flow,
    Length,
    Measure,
    Pressure,
    PressureDifference,
    SignedTurns,
    Temperature,
    Torque,
    Turns,
    Volume,
)
from service.entries.words import ClockSpan, Code, Count, Date, Kind, Many, Model, Name, Text, Time, Uuid, refuse

READINGS = 300
FlowState = Literal["static", "flowing"]


class NoticeGiven(Model):
    """Who was told that a bank goes out of service, or is back."""

    to: Many[Name] = Field(min_length=1, max_length=50)
    when: Literal["before", "after"]


class RebuildOpened(Model):
    """A rebuild begins, by a procedure revision."""

    procedure: Code
    revision: Annotated[int, Field(ge=1, le=100_000)]
    reason: Literal["scheduled", "fault", "recall"]
    kit: Code | None = None
    kit_lot: Name | None = None
    permit: Name | None = None
    crew: Many[Code] = Field(default=(), max_length=20)
    work_order: Name | None = None
    expected_duration: ClockSpan | None = None


class Valve(Model):
    """A valve, how it was left, the lock on it, and how it was opened."""

    valve: Code
    state: Literal["open", "closed"]
    lock: Name | None = None
    opened: Literal["slowly", "quickly"] | None = None


class Companion(Model):
    """The bank that carries the wards meanwhile."""

    cylinders: Count | None = None
    water_volume: Volume | None = None
    pressure: Pressure | None = None
    temperature: Temperature | None = None
    reserve_pressure: Pressure | None = None
    gas: Kind | None = None


class BankIsolated(Model):
    """A bank is taken out of service."""

    valves: Many[Valve] = Field(default=(), max_length=50)
    companion: Companion | None = None
    demand: Flow | None = None


class BankRestored(Model):
    """Pressure is let back in."""

    valves: Many[Valve] = Field(default=(), max_length=50)


class PressureRead(Model):
    """A pressure at a point, on a named gauge or a registered instrument."""

    point: Code
    phase: Literal["as_found", "isolated", "during", "restored", "as_left"]
    flow: FlowState | None = None
    vent_open: bool | None = None
    pressure: Pressure
    gauge: Name | None = None
    resolution: PressureDifference | None = None
    instrument: Code | None = None


class TurnsCounted(Model):
    """Stem turns out or in; ``agreed_by`` is a count that two or more settled together."""

    direction: Literal["out", "in"]
    turns: Turns
    counted_by: Code | None = None
    agreed_by: Many[Code] | None = Field(default=None, min_length=2, max_length=5)
    marks_aligned: bool | None = None

    @model_validator(mode="after")
    def _one_kind_of_count(self) -> Self:
        if self.counted_by is not None and self.agreed_by is not None:
            raise refuse("two_kinds_of_count", "counted_by or agreed_by, not both")
        if self.agreed_by is not None and len(set(self.agreed_by)) < len(self.agreed_by):
            raise refuse("same_person_twice", "agreed_by names one person twice")
        return self


class PartRemoved(Model):
    """A part comes out."""

    part: Code
    condition: Literal["serviceable", "worn", "damaged", "missing"] | None = None
    quantity: Count = 1
    note: Text | None = None


class PartFitted(Model):
    """A part goes in: new, or one that was there before."""

    part: Code
    new: bool
    quantity: Count = 1
    lot: Name | None = None
    cured: Name | None = None
    polymer: Name | None = None
    cleaned: bool | None = None
    note: Text | None = None


class LubricantApplied(Model):
    """A lubricant, and the parts it went on."""

    lubricant: Name
    lot: Name | None = None
    expires: Date | None = None
    on: Many[Code] = Field(default=(), max_length=200)


class Extension(Model):
    """An extension on a torque tool: length from drive to joint, angle from the handle's axis (180° is backwards)."""

    length: Length
    angle: Turns


class TorqueApplied(Model):
    """A joint is tightened: the torque the tool indicated."""

    joint: Code
    torque: Torque
    instrument: Code | None = None
    extension: Extension | None = None
    fastener: Name | None = None
    stage: Literal["intermediate", "final"] = "final"


class LeakReading(Model):
    """Pressure and temperature at a time."""

    at: Time
    pressure: Pressure
    temperature: Temperature | None = None


class DecayTest(Model):
    """Pressure decay in a closed section."""

    method: Literal["decay"]
    section: Code
    volume: Volume | None = None
    fed_by: Many[Code] = Field(default=(), max_length=20)
    closed: Many[Code] = Field(default=(), max_length=50)
    readings: Many[LeakReading] = Field(min_length=1, max_length=READINGS)
    atmosphere: Pressure | None = None
    instrument: Code | None = None
    thermometer: Code | None = None


class BubbleTest(Model):
    """Leak-detection fluid on a joint or section."""

    method: Literal["bubble"]
    section: Code
    fluid: Name | None = None
    pressure: Pressure | None = None
    watched: ClockSpan | None = None
    result: Literal["no_bubbles", "bubbles"]


class LeakTested(RootModel[Annotated[DecayTest | BubbleTest, Field(discriminator="method")]]):
    """A section proven tight, or not."""


class LockupReading(Model):
    """Pressure and temperature so long after flow stopped."""

    after: ClockSpan
    pressure: Pressure
    temperature: Temperature | None = None


class LockupTested(Model):
    """Flow is stopped and the delivered pressure watched."""

    section: Code | None = None
    volume: Volume | None = None
    inlet: Pressure | None = None
    flow: Flow | None = None
    flowing: Pressure
    instrument: Code | None = None
    thermometer: Code | None = None
    atmosphere: Pressure | None = None
    readings: Many[LockupReading] = Field(min_length=1, max_length=READINGS)


class SettingAdjusted(Model):
    """The stem is turned (positive is in) to set the delivered pressure."""

    turns: SignedTurns
    flow: FlowState | None = None
    before: Pressure | None = None
    after: Pressure | None = None
    instrument: Code | None = None


class FunctionReading(Model):
    """A reading taken during a function test, with its limits where there are any."""

    what: Name
    value: Measure
    low: Measure | None = None
    high: Measure | None = None


class FunctionTested(Model):
    """A changeover, an alarm, a relief valve, a purge, a gas identity."""

    test: Code
    readings: Many[FunctionReading] = Field(default=(), max_length=READINGS)
    result: Literal["passed", "failed"]
    note: Text | None = None


class StepDone(Model):
    """A step confirmed."""

    step: Annotated[int, Field(ge=1, le=1000)]
    note: Text | None = None


class NoteAdded(Model):
    """Free text; with ``crew`` it hands the job over to those who carry on from here."""

    text: Text
    crew: Many[Code] = Field(default=(), max_length=20)


class RebuildClosed(Model):
    """The rebuild ends."""

    outcome: Literal["returned_to_service", "left_out_of_service", "aborted"]
    reason: Text | None = None


class RebuildCountersigned(Model):
    """A second person stands by what is recorded."""

    role: Name


class FindingAccepted(Model):
    """A concession: shown beside the finding, which it does not change."""

    check: Kind
    subject: Name | None = None
    reason: Text
    authority: Name


class Replacement(Model):
    """What holds instead."""

    data: dict[str, Any] | None = None
    occurred_at: Time | None = None
    by: Code | None = None

    @model_validator(mode="after")
    def _replaces_something(self) -> Self:
        if not self.model_fields_set or None in (getattr(self, name) for name in self.model_fields_set):
            raise refuse("nothing_replaced", "data, occurred_at or by is wanted")
        return self


class EntryCorrected(Model):
    """Another entry is withdrawn or replaced; the original stays readable."""

    entry: Uuid
    reason: Text
    withdrawn: Literal[True] | None = None
    replacement: Replacement | None = None

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        if (self.withdrawn is None) == (self.replacement is None):
            raise refuse("one_way", "withdrawn or replacement, one of the two")
        return self
