"""The job of a rebuild, put together from an export's entries alone: those up to a ``seq``, and nothing else.

What the service collects from its views is folded here from the entries, with the same pure functions; the views
themselves have no part in it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime
from functools import cached_property
from typing import Any

import orjson

from service.checks.job import Earlier, Fact, InstrumentRecord, Job
from service.checks.pressure_per_turn import adjustments
from service.checks.turns import engaged
from service.entries.procedure import ProcedurePublished
from service.entries.words import microseconds
from service.entries.work import SettingAdjusted
from service.ledger.entry import Entry
from service.ledger.rebuild import Folded, fold, instruments_named
from service.ledger.register import (
    ASSET_TYPES,
    Asset,
    Facility,
    fold_asset,
    fold_facility,
    fold_instrument,
    while_in_place,
)
from service.ledger.verify_pages import Pages, Story
from service.ledger.verify_stretch import Offsets


@dataclass
class Register:
    """Where the entries about facility, procedures and instruments stand, corrections among them; small."""

    facility: list[int] = field(default_factory=list)
    procedures: dict[tuple[str, int], int] = field(default_factory=dict)
    instruments: dict[str, list[int]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Piece:
    """Assets whose rebuilds look back on one another (nearly always one), as places in the file.

    ``assets``: by asset, in JSON, its own entries, adjustments outside any rebuild among them. ``rebuilds``: all that
    names a rebuild, and the corrections to it.
    """

    assets: dict[bytes, Offsets]
    rebuilds: dict[str, Offsets]


class House:
    """What all assets have in common: the facility, its procedures, its instruments. Each is folded once a version."""

    def __init__(self, pages: Pages, register: Register) -> None:
        self._pages, self._register = pages, register
        self._instruments: dict[str, Story] = {}
        self._folded: dict[tuple[str, int], InstrumentRecord | None] = {}
        self._published: dict[tuple[str, int], tuple[int, ProcedurePublished]] = {}
        self._facilities: dict[int, Facility] = {}

    @cached_property
    def _facility(self) -> Story:
        return Story(self._pages.read(self._register.facility))

    def facility(self, through: int) -> Facility:
        """The facility as of a seq."""
        known = self._facility.count(through)
        if known not in self._facilities:
            self._facilities[known] = fold_facility(self._facility.until(through))
        return self._facilities[known]

    def procedure(self, code: str, revision: int, through: int) -> ProcedurePublished | None:
        """A revision, if it was published by then."""
        name = (code, revision)
        if name not in self._register.procedures:
            return None
        if name not in self._published:
            (entry,) = self._pages.read([self._register.procedures[name]])
            self._published[name] = (entry.seq, ProcedurePublished.model_validate(entry.data))
        seq, published = self._published[name]
        return published if seq <= through else None

    def instruments(self, names: Iterable[str], through: int) -> dict[str, InstrumentRecord]:
        """Those of the instruments that are registered."""
        found = {name: self._instrument(name, through) for name in names if name in self._register.instruments}
        return {name: record for name, record in found.items() if record is not None}

    def _instrument(self, name: str, through: int) -> InstrumentRecord | None:
        if name not in self._instruments:
            self._instruments[name] = Story(self._pages.read(self._register.instruments[name]))
        story = self._instruments[name]
        version = (name, story.count(through))
        if version not in self._folded:
            self._folded[version] = fold_instrument(story.until(through))
        return self._folded[version]


@dataclass(frozen=True, slots=True)
class _Place:
    """Where and when a rebuild was opened, and on which device."""

    asset: str | None
    at: datetime
    serial: str | None

    def same_device(self, asset: str | None, serial: str | None) -> bool:
        """A device is known by its serial wherever it is; without one, by its position."""
        return self.serial == serial and (serial is not None or self.asset == asset)


class Bench:
    """The rebuilds of a piece, as of any seq."""

    def __init__(self, house: House, pages: Pages, piece: Piece) -> None:
        self._house = house
        registers = {asset: pages.read(places) for asset, places in piece.assets.items()}
        self._registers = {asset: Story(_of(mine, *ASSET_TYPES)) for asset, mine in registers.items()}
        self._between = {asset: Story(_of(mine, "setting.adjusted")) for asset, mine in registers.items()}
        entries = {rebuild: pages.read(places) for rebuild, places in piece.rebuilds.items()}
        self.judgements = [entry for mine in entries.values() for entry in mine if entry.type == "rebuild.judged"]
        self._stories = {
            rebuild: Story([entry for entry in mine if entry.type != "rebuild.judged"])
            for rebuild, mine in entries.items()
        }
        self._folds: dict[tuple[str, int], Folded] = {}
        self._places: dict[tuple[str, int, int, bool], _Place] = {}
        self._through = 0
        self._jobs: dict[str, Job | None] = {}
        """As of ``_through``."""

    def job(self, rebuild: str, through: int) -> Job | None:
        """Everything the checks may look at; None where it is not known by which procedure to judge."""
        if self._through != through:
            self._through, self._jobs = through, {}
        if rebuild not in self._jobs:
            self._jobs[rebuild] = self._gather(rebuild, through)
        return self._jobs[rebuild]

    def _gather(self, rebuild: str, through: int) -> Job | None:
        folded = self._fold(rebuild, through)
        known, opening = self._known(folded, through), folded.opening
        if known is None or opening is None:
            return None
        procedure, asset = known
        name, serial = _name(opening.asset), asset.register.serial
        between = fold(self._between.get(name, _EMPTY).until(through)).facts
        register = self._registers.get(name, _EMPTY).until(through)
        return Job(
            procedure=procedure,
            register=asset.register,
            facts=folded.facts,
            instruments=self._house.instruments(sorted(instruments_named(folded.facts)), through),
            corrections=folded.holding,
            earlier=self._earlier(rebuild, opening, serial, through),
            between=while_in_place(between, str(opening.asset), register, serial),
            zone=self._house.facility(through).zone_at(opening.at),
        )

    def _fold(self, rebuild: str, through: int) -> Folded:
        story = self._stories[rebuild]
        version = (rebuild, story.count(through))
        if version not in self._folds:
            self._folds[version] = fold(story.until(through))
        return self._folds[version]

    def _known(self, folded: Folded, through: int) -> tuple[ProcedurePublished, Asset] | None:
        """By which procedure it is judged, and the register as it stood at the opening."""
        opening = folded.opening
        if opening is None or opening.asset is None:
            return None
        procedure = self._house.procedure(opening.data.procedure, opening.data.revision, through)
        entries = self._registers.get(_name(opening.asset), _EMPTY).until(through)
        asset = fold_asset(opening.asset, entries, opening.at)
        return None if procedure is None or asset is None else (procedure, asset)

    def _earlier(self, rebuild: str, opening: Fact[Any], serial: str | None, through: int) -> tuple[Earlier, ...]:
        """Rebuilds of the same device opened before this one, oldest first."""
        before = []
        for other in self._stories:
            place = self._place(other, through)
            if place is not None and place.same_device(opening.asset, serial) and other != rebuild:
                before.append((microseconds(place.at), other, place.at))
        mine = (microseconds(opening.at), rebuild)
        return tuple(self._look_back(other, at, through) for us, other, at in sorted(before) if (us, other) < mine)

    def _look_back(self, rebuild: str, at: datetime, through: int) -> Earlier:
        """How a rebuild left the stem, and what it did to the setting."""
        job, facts = self.job(rebuild, through), self._fold(rebuild, through).facts
        return Earlier(rebuild, at, engaged(job) if job else None, adjustments(facts.of(SettingAdjusted)))

    def _place(self, rebuild: str, through: int) -> _Place | None:
        """None before it is opened."""
        folded = self._fold(rebuild, through)
        opening = folded.opening
        if opening is None:
            return None
        registered = self._registers.get(_name(opening.asset), _EMPTY).count(through)
        published = self._house.procedure(opening.data.procedure, opening.data.revision, through) is not None
        version = (rebuild, self._stories[rebuild].count(through), registered, published)
        if version not in self._places:
            known = self._known(folded, through)
            self._places[version] = _Place(opening.asset, opening.at, known[1].register.serial if known else None)
        return self._places[version]


_EMPTY = Story([])


def _name(asset: str | None) -> bytes:
    return orjson.dumps(asset)


def _of(entries: Iterable[Entry], *types: str) -> list[Entry]:
    """Entries of these types, and the corrections, which fold to nothing where their target is not among them."""
    return [entry for entry in entries if entry.type in types or entry.type == "entry.corrected"]
