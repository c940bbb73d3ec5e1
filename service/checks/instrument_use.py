"""Who measured what with which instrument: every use of one in a rebuild, and what had to be measured with one."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Literal

from service.checks.job import Fact, Job
from service.entries.quantity import Quantity
from service.entries.work import DecayTest, LeakTested, LockupTested, PressureRead, SettingAdjusted, TorqueApplied

Kind = Literal["torque_tool", "pressure_gauge", "thermometer"]


@dataclass(slots=True)
class Used:
    """All uses of one instrument: in which entries, when, for what, and what it read; both by the kind they want."""

    entries: list[str] = field(default_factory=list)
    times: list[datetime] = field(default_factory=list)
    what: dict[Kind, list[str]] = field(default_factory=dict)
    read: dict[Kind, list[Quantity]] = field(default_factory=dict)


def uses(job: Job) -> dict[str, Used]:
    """Uses by the instrument's code; under an empty one those that had to name one and did not."""
    found: dict[str, Used] = {}
    for torque in job.facts.of(TorqueApplied):
        _note(found, torque.data.instrument, torque, "torque_tool", torque.data.joint, [torque.data.torque])
    for read in job.facts.of(PressureRead):
        if read.data.instrument:  # a fixed gauge is named, not registered
            _note(found, read.data.instrument, read, "pressure_gauge", "", [read.data.pressure])
    for setting in job.facts.of(SettingAdjusted):
        if setting.data.instrument:
            pressures = [p for p in (setting.data.before, setting.data.after) if p is not None]
            _note(found, setting.data.instrument, setting, "pressure_gauge", "", pressures)
    for leak in job.facts.of(LeakTested):
        if isinstance(test := leak.data.root, DecayTest):
            _watched(found, leak, test, test.section, [reading.pressure for reading in test.readings])
    for lockup in job.facts.of(LockupTested):
        pressures = [lockup.data.flowing, *(reading.pressure for reading in lockup.data.readings)]
        _watched(found, lockup, lockup.data, lockup.data.section or "", pressures)
    return found


def _watched(
    found: dict[str, Used], fact: Fact[Any], test: DecayTest | LockupTested, section: str, pressures: Iterable[Quantity]
) -> None:
    """A decay or a lock-up: read on a gauge and, where temperatures were taken, on a thermometer."""
    _note(found, test.instrument, fact, "pressure_gauge", section, pressures)
    if temperatures := [reading.temperature for reading in test.readings if reading.temperature is not None]:
        _note(found, test.thermometer, fact, "thermometer", section, temperatures)


def _note(
    found: dict[str, Used], name: str | None, fact: Fact[Any], kind: Kind, subject: str, readings: Iterable[Quantity]
) -> None:
    used = found.get(name or "")
    if used is None:
        used = found[name or ""] = Used()
    if kind not in used.read:
        used.read[kind], used.what[kind] = [], []
    used.entries.append(fact.id)
    used.times.append(fact.at)
    used.what[kind].append(f"{fact.type} {subject}" if subject else fact.type)
    used.read[kind] += readings
