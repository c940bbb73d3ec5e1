"""What a check may look at: the procedure revision, the register, the instruments, the facts, what came before.

All of it plain frozen values; a check that wants more than a ``Job`` holds is in the wrong room.
"""

from __future__ import annotations

from bisect import insort
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from decimal import Decimal
from typing import Generic, TypeVar, cast
from zoneinfo import ZoneInfo

from pydantic import BaseModel

from service.entries.asset import AssetRegistered
from service.entries.catalogue import ENTRY_TYPES
from service.entries.instrument import InstrumentCalibrated, InstrumentEvent, PressureGauge, Thermometer, TorqueTool
from service.entries.judgement import State
from service.entries.once import once
from service.entries.procedure import ProcedurePublished
from service.entries.work import EntryCorrected, RebuildClosed, RebuildOpened

D_co = TypeVar("D_co", bound=BaseModel, covariant=True)
M = TypeVar("M", bound=BaseModel)


@dataclass(frozen=True, slots=True)
class Fact(Generic[D_co]):
    """One observation as it holds now, corrections applied. ``at``: when it was complete, UTC."""

    id: str
    type: str
    at: datetime
    data: D_co
    by: str | None = None
    credential: str | None = None
    asset: str | None = None


class Facts:
    """All facts of one rebuild in the order they happened; equal times in the order of their ids, never of arrival."""

    def __init__(self, facts: Iterable[Fact[BaseModel]] = ()) -> None:
        self._all = sorted(facts, key=_order)
        by_type: dict[str, list[Fact[BaseModel]]] = {}
        for fact in self._all:
            by_type.setdefault(fact.type, []).append(fact)
        self._by_type = {type_: tuple(of_its_type) for type_, of_its_type in by_type.items()}

    def joined_by(self, facts: Iterable[Fact[BaseModel]]) -> Facts:
        """These facts and more of them."""
        joined = Facts()
        joined._all, joined._by_type = list(self._all), dict(self._by_type)
        for fact in facts:
            insort(joined._all, fact, key=_order)
            joined._by_type[fact.type] = tuple(sorted((*joined._by_type.get(fact.type, ()), fact), key=_order))
        return joined

    def __iter__(self) -> Iterator[Fact[BaseModel]]:
        return iter(self._all)

    def __len__(self) -> int:
        return len(self._all)

    def of(self, model: type[M]) -> tuple[Fact[M], ...]:
        """Facts of one entry type, by its data model, in the order they happened."""
        return cast("tuple[Fact[M], ...]", self._by_type.get(_TYPE_OF[model], ()))

    def of_type(self, *types: str) -> tuple[Fact[BaseModel], ...]:
        """Facts of these entry types, in the order they happened."""
        found = [self._by_type[type_] for type_ in types if type_ in self._by_type]
        if len(found) > 1:
            return tuple(sorted((fact for of_its_type in found for fact in of_its_type), key=_order))
        return found[0] if found else ()


_TYPE_OF: Mapping[type[BaseModel], str] = {row.data: row.name for row in ENTRY_TYPES.values()}


def _order(fact: Fact[BaseModel]) -> tuple[datetime, str]:
    return fact.at, fact.id


@dataclass(frozen=True, slots=True)
class InstrumentRecord:
    """An instrument as registered, its certificates by day, its events by time."""

    model: TorqueTool | PressureGauge | Thermometer
    calibrations: tuple[InstrumentCalibrated, ...] = ()
    events: tuple[Fact[InstrumentEvent], ...] = ()

    def calibration_on(self, day: date) -> InstrumentCalibrated | None:
        """The last calibration on or before ``day``; of two on one day the one that was recorded for later."""
        before = [calibration for calibration in reversed(self.calibrations) if calibration.on.date <= day]
        return max(before, key=lambda calibration: calibration.on) if before else None


@dataclass(frozen=True, slots=True)
class StemLeft:
    """How far the stem was left engaged: turns in plus adjustments, and the entries that say so."""

    turns: Decimal
    at: datetime
    entries: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Adjustment:
    """The stem turned, in being positive, and the delivered pressure before and after, kPa; the entry that says so."""

    turns: Decimal
    before: Decimal
    after: Decimal
    entry: str

    @property
    def slope(self) -> Decimal:
        """What one turn did, kPa."""
        return (self.after - self.before) / self.turns


@dataclass(frozen=True, slots=True)
class Earlier:
    """An earlier rebuild of the same device, as far as later ones need it."""

    rebuild: str
    opened_at: datetime
    stem: StemLeft | None = None
    adjusted: tuple[Adjustment, ...] = ()


@dataclass(frozen=True)
class Job:
    """One rebuild, ready to be judged.

    ``earlier`` is ordered oldest first; ``between`` are the asset's adjustments made outside any rebuild;
    ``corrections`` are those that hold, by the time they were made.
    """

    procedure: ProcedurePublished
    register: AssetRegistered
    facts: Facts
    instruments: Mapping[str, InstrumentRecord] = field(default_factory=dict)
    corrections: tuple[Fact[EntryCorrected], ...] = ()
    earlier: tuple[Earlier, ...] = ()
    between: tuple[Fact[BaseModel], ...] = ()
    zone: ZoneInfo = field(default_factory=lambda: ZoneInfo("UTC"))

    @once
    def opening(self) -> Fact[RebuildOpened] | None:
        """The entry that opened the rebuild."""
        return next(iter(self.facts.of(RebuildOpened)), None)

    @once
    def closing(self) -> Fact[RebuildClosed] | None:
        """The entry that closed it, if it is closed."""
        return next(iter(self.facts.of(RebuildClosed)), None)

    @property
    def state(self) -> State:
        """Unopened, open or closed."""
        return "closed" if self.closing else "open" if self.opening else "unopened"

    @once
    def begun_on(self) -> str:
        """The day on which it was opened, or of its first fact, as ISO text; empty where there is none."""
        first = self.opening or next(iter(self.facts), None)
        return self.day(first.at).isoformat() if first is not None else ""

    def day(self, at: datetime) -> date:
        """The calendar day in the facility's time zone."""
        return at.astimezone(self.zone).date()

    def instrument(self, name: str | None) -> InstrumentRecord | None:
        """The instrument's record, if it is named and registered."""
        return self.instruments.get(name) if name else None
