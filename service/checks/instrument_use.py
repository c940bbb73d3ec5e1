"""Who measured what with which instrument: every use of one in a rebuild, and what had to be measured with one."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from typing import Literal, NamedTuple

from service.checks.job import Job
from service.entries.quantity import Quantity
from service.entries.work import DecayTest, LeakTested, LockupTested, PressureRead, SettingAdjusted, TorqueApplied

Kind = Literal["torque_tool", "pressure_gauge", "thermometer"]


class Use(NamedTuple):
    """One use: the entry, what it was for, which kind of instrument that wants, and what it read."""

    entry: str
    at: datetime
    what: str
    kind: Kind
    readings: tuple[Quantity, ...]


def uses(job: Job) -> dict[str, list[Use]]:
    """Uses by the instrument's code, in the order of each entry type; under an empty one those that had to name one."""
    found: dict[str, list[Use]] = {}
    for name, use in _uses(job):
        found.setdefault(name or "", []).append(use)
    return found


def _uses(job: Job) -> Iterator[tuple[str | None, Use]]:
    for torque in job.facts.of(TorqueApplied):
        what = f"torque.applied {torque.data.joint}"
        yield torque.data.instrument, Use(torque.id, torque.at, what, "torque_tool", (torque.data.torque,))
    for read in job.facts.of(PressureRead):
        if read.data.instrument:  # a fixed gauge is named, not registered
            yield read.data.instrument, Use(read.id, read.at, "pressure.read", "pressure_gauge", (read.data.pressure,))
    for setting in job.facts.of(SettingAdjusted):
        if setting.data.instrument:
            read_so = tuple(p for p in (setting.data.before, setting.data.after) if p is not None)
            yield setting.data.instrument, Use(setting.id, setting.at, "setting.adjusted", "pressure_gauge", read_so)
    yield from _leaks(job)
    yield from _lockups(job)


def _leaks(job: Job) -> Iterator[tuple[str | None, Use]]:
    for fact in job.facts.of(LeakTested):
        test = fact.data.root
        if isinstance(test, DecayTest):
            what = f"leak.tested {test.section}"
            pressures = tuple(reading.pressure for reading in test.readings)
            yield test.instrument, Use(fact.id, fact.at, what, "pressure_gauge", pressures)
            if temperatures := tuple(one.temperature for one in test.readings if one.temperature is not None):
                yield test.thermometer, Use(fact.id, fact.at, what, "thermometer", temperatures)


def _lockups(job: Job) -> Iterator[tuple[str | None, Use]]:
    for fact in job.facts.of(LockupTested):
        test = fact.data
        what = f"lockup.tested {test.section}" if test.section else "lockup.tested"
        pressures = (test.flowing, *(reading.pressure for reading in test.readings))
        yield test.instrument, Use(fact.id, fact.at, what, "pressure_gauge", pressures)
        if temperatures := tuple(one.temperature for one in test.readings if one.temperature is not None):
            yield test.thermometer, Use(fact.id, fact.at, what, "thermometer", temperatures)
