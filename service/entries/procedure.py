"""A procedure revision: what a rebuild has to show. Published once, it never changes."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from decimal import Decimal
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, ValidationError, model_validator
from pydantic_core import InitErrorDetails

from service.entries.once import once
from service.entries.quantity import LeakRate, Length, PressureDifference, Torque, Turns
from service.entries.words import Amount, ClockSpan, Code, Count, Kind, Many, Model, Name, Text, refuse


class Tool(Model):
    """A tool to bring; for a socket, the size across the flats in either system."""

    tool: Name
    across_flats: Length | None = None


class ZeroPoint(Model):
    """A point that must be proven at zero."""

    point: Code
    limit: PressureDifference


class ZeroPressure(Model):
    """Where zero pressure is proven, and how long it must hold for a second reading."""

    points: Many[ZeroPoint] = Field(min_length=1, max_length=50)
    hold: ClockSpan | None = None


class StemTurns(Model):
    """How stem turns are counted: tolerance of in − out, resolution of a count, how many people count."""

    tolerance: Turns
    resolution: Turns | None = None
    counters: Annotated[int, Field(ge=1, le=5)] = 1


class Joint(Model):
    """A joint to tighten: a torque with a tolerance in per cent, or a low and a high.

    ``also`` is the same torque as the procedure prints it in another unit.
    """

    joint: Code
    fastener: Name | None = None
    torque: Torque | None = None
    also: Torque | None = None
    tolerance_percent: Amount | None = None
    low: Torque | None = None
    high: Torque | None = None
    acceptance: Literal["simple", "guarded"] = "simple"
    confidence: Amount | None = None

    @once
    def band(self) -> tuple[Decimal, Decimal]:
        """Lowest and highest torque allowed, N.m: the limits, else the torque ± tolerance."""
        if self.low is not None and self.high is not None:
            return self.low.si, self.high.si
        if self.torque is None or self.tolerance_percent is None:
            raise ValueError(f"{self.joint} has no band, which its model refuses")
        tolerance = self.torque.si * Decimal(self.tolerance_percent) / 100
        return self.torque.si - tolerance, self.torque.si + tolerance

    @model_validator(mode="after")
    def _has_a_band(self) -> Self:
        by_tolerance = self.torque is not None and self.tolerance_percent is not None
        by_limits = self.low is not None and self.high is not None
        if by_tolerance == by_limits:
            raise refuse("no_band", "torque with tolerance_percent, or low with high, is wanted")
        if self.low is not None and self.high is not None and self.low.si > self.high.si:
            raise refuse("upside_down", "low is above high")
        if self.confidence is not None and not 0.5 <= float(self.confidence) < 1:
            raise refuse("not_a_confidence", "a confidence from 0.5 to just below 1 is wanted")
        return self


class KitPart(Model):
    """A part that the rebuild replaces or reuses."""

    part: Code
    action: Literal["replace", "reuse"]
    quantity: Count = 1
    joint: Code | None = None
    polymer: Name | None = None
    shelf_life: Name | None = None
    substitutes: Many[Code] = Field(default=(), max_length=20)


class Kit(Model):
    """The kit of soft goods, and the parts that go back in."""

    number: Code
    substitutes: Many[Code] = Field(default=(), max_length=20)
    parts: Many[KitPart] = Field(min_length=1, max_length=200)


class Lubricant(Model):
    """Which lubricants may be used, on which parts, and whether they may meet oxygen."""

    named: Many[Name] = Field(min_length=1, max_length=20)
    on: Many[Code] = Field(default=(), max_length=200)
    oxygen_compatible: bool | None = None


class LeakTest(Model):
    """The sections to prove tight, and the leak allowed."""

    sections: Many[Code] = Field(min_length=1, max_length=20)
    limit: LeakRate


class Lockup(Model):
    """Rise at closure and drift after it."""

    max_rise_percent: Amount
    settle: ClockSpan | None = None
    observe: ClockSpan | None = None
    creep_limit: PressureDifference | None = None


class Endurance(Model):
    """How much more gas than the job needs the companion bank must hold."""

    margin: Amount


class Countersign(Model):
    """A second person signs; ``own_credential``: with a token not used for the work."""

    own_credential: bool = False


_QUALIFIED = {
    "pressure.read", "turns.counted", "part.removed", "part.fitted", "torque.applied", "leak.tested", "lockup.tested",
    "function.tested", "step.done", "notice.given", "bank.isolated", "bank.restored", "setting.adjusted",
    "lubricant.applied", "rebuild.opened", "rebuild.closed", "zero_pressure",
}  # fmt: skip


def _orders_something(key: str) -> str:
    if key.partition(":")[0] not in _QUALIFIED:
        raise refuse(
            "unknown_milestone", "an entry type, an entry type with its subject (torque.applied:seat), or zero_pressure"
        )
    return key


Milestone = Annotated[Name, AfterValidator(_orders_something)]
RecordedBy = Annotated[str, Field(pattern=r"^[a-z]+\.[a-z]+$", max_length=64)]


class Step(Model):
    """One step of the procedure, and the entry type that records it."""

    number: Annotated[int, Field(ge=1, le=1000)]
    does: Text
    records: RecordedBy | None = None


class ProcedurePublished(Model):
    """One revision of a procedure. What it leaves out, no check asks for."""

    code: Code
    revision: Annotated[int, Field(ge=1, le=100_000)]
    title: Name
    applies_to: Many[Kind] = Field(default=(), max_length=50)
    satisfies: Many[Code] = Field(default=(), max_length=50)
    cautions: Many[Text] = Field(default=(), max_length=50)
    tools: Many[Tool] = Field(default=(), max_length=100)
    zero_pressure: ZeroPressure | None = None
    turns: StemTurns | None = None
    joints: Many[Joint] = Field(default=(), max_length=100)
    kit: Kit | None = None
    lubricant: Lubricant | None = None
    leak_test: LeakTest | None = None
    lockup: Lockup | None = None
    functions: Many[Code] = Field(default=(), max_length=50)
    notice: bool = False
    supply: bool = False
    endurance: Endurance | None = None
    countersign: Countersign | None = None
    before: Many[Annotated[tuple[Milestone, Milestone], Field(strict=False)]] = Field(default=(), max_length=100)
    steps: Many[Step] = Field(default=(), max_length=500)

    @model_validator(mode="after")
    def _hangs_together(self) -> Self:
        loose = [InitErrorDetails(type=refuse("loose_end", why), loc=at, input=None) for at, why in self._loose_ends()]
        if loose:
            raise ValidationError.from_exception_data("ProcedurePublished", loose)
        return self

    def _loose_ends(self) -> Iterator[tuple[tuple[str | int, ...], str]]:
        """Where a name leads nowhere, or stands twice, and why."""
        joints = [joint.joint for joint in self.joints]
        parts = [part.part for part in self.kit.parts] if self.kit else []
        steps = [str(step.number) for step in self.steps]
        yield from _twice(("joints",), "joint", joints)
        yield from _twice(("kit", "parts"), "part", parts)
        yield from _twice(("steps",), "number", steps)
        for place, part in enumerate(self.kit.parts if self.kit else ()):
            if part.joint is not None and part.joint not in joints:
                why = f"part {part.part!r} belongs to joint {part.joint!r}, which is not among the joints"
                yield ("kit", "parts", place, "joint"), why
        for place, name in enumerate(self.lubricant.on if self.lubricant else ()):
            if parts and name not in parts:
                yield ("lubricant", "on", place), f"lubricant goes on {name!r}, which is not in the kit"
        for place, pair in enumerate(self.before):
            for side, milestone in enumerate(pair):
                kind, _, subject = milestone.partition(":")
                if subject and kind == "torque.applied" and subject not in joints:
                    yield ("before", place, side), f"{milestone!r} names a joint that is not among the joints"


def _twice(place: tuple[str, ...], member: str, names: Sequence[str]) -> Iterator[tuple[tuple[str | int, ...], str]]:
    """The second and every further time that a name stands in a list."""
    for index, name in enumerate(names):
        if name in names[:index]:
            yield (*place, index, member), f"{name!r} stands twice"
