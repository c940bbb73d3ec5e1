"""Is what a reading names an instrument of the kind that can give it?"""

from __future__ import annotations

from service.checks.job import Job
from service.entries.instrument import PressureGauge, Thermometer, TorqueTool

Kind = type[PressureGauge] | type[TorqueTool] | type[Thermometer]


def not_a(kind: Kind, job: Job, name: str | None) -> str | None:
    """``XX-1 is not registered``, ``PG-9 is a pressure gauge``; None where it is of that kind, or none is named."""
    if name is None:
        return None
    record = job.instrument(name)
    if record is None:
        return f"{name} is not registered"
    return None if isinstance(record.model, kind) else f"{name} is a {record.model.kind.replace('_', ' ')}"
