"""Gas shut in a section: how far its pressure drifts beyond what temperature does, and how well that is known.

d = p2·T1/T2 − p1                       kPa, the drift as it would be had the temperature stayed at T1
    p absolute pressure (gauge + atmosphere), T kelvin; without a leak and without a feed p2 = p1·T2/T1, so d = 0.
u² = (1 + f²)·(s_p² + (s_T·p2/T2)²) + ((f − 1)·u_a)²      f = T1/T2; JCGM 100:2008
    s = resolution/√12 of gauge and thermometer. An error common to both readings of one instrument cancels, so its
    certificate plays no part; what the last digit hides does not cancel. 0.1 K is 0.27 kPa at 800 kPa absolute.
    u_a is 0 where the atmosphere was read, else 25 kPa/√3 around 101.325 kPa (sea level to 2,400 m; common practice, no
    published source): it only scales the correction for temperature.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import NamedTuple

from service.checks.gas import Unknown
from service.checks.gauge import SQRT3, SQRT12
from service.checks.job import Job
from service.entries.instrument import PressureGauge, Thermometer
from service.entries.quantity import Pressure, Quantity, Temperature, figures

STANDARD_ATMOSPHERE = Decimal("101.325")
"""kPa, exact by definition."""
COVERAGE = 2
"""k: U = 2·u."""
_U_ATMOSPHERE = 25 / SQRT3
_LEAST_ATMOSPHERE, _MOST_ATMOSPHERE = 50, 110
_NO_TEMPERATURE = Unknown(
    "a reading has no temperature, and one kelvin is several kilopascals in a section under pressure",
    "Repeat it with a temperature beside each reading.",
)


class Read(NamedTuple):
    """A pressure with the temperature beside it, as recorded."""

    pressure: Pressure
    temperature: Temperature | None


@dataclass(frozen=True, slots=True)
class Drift:
    """d and its standard uncertainty, kPa; ``t1`` and ``rise`` in K; ``words`` is the arithmetic up to d."""

    d: Decimal
    u: Decimal
    t1: Decimal
    rise: Decimal
    words: str


def drift(
    job: Job, first: Read, last: Read, atmosphere: Pressure | None, used: tuple[str | None, str | None]
) -> Drift | Unknown:
    """The drift from one reading to another, on one gauge and one thermometer (``used``); else why it is not known."""
    if first.temperature is None or last.temperature is None:
        return _NO_TEMPERATURE
    steps = _steps(job, *used)
    if isinstance(steps, Unknown):
        return steps
    p_a = atmosphere.si if atmosphere is not None else STANDARD_ATMOSPHERE
    if not _LEAST_ATMOSPHERE <= p_a <= _MOST_ATMOSPHERE:
        return Unknown(f"an atmosphere of {atmosphere} cannot be", "Correct the atmosphere: absolute, near 100 kPa.")
    p1, p2 = (read.pressure.si + (0 if read.pressure.reference == "absolute" else p_a) for read in (first, last))
    t1, t2 = first.temperature.si, last.temperature.si
    if min(t1, t2, p1) <= 0:
        return Unknown("a reading is at absolute zero", "Correct the reading.")
    f, (s_p, s_t) = t1 / t2, steps
    u_a = Decimal(0) if atmosphere is not None else _U_ATMOSPHERE
    u = ((1 + f * f) * (s_p * s_p + (s_t * p2 / t2) ** 2) + ((f - 1) * u_a) ** 2).sqrt()
    taken = "" if atmosphere is not None else f", the atmosphere taken as {STANDARD_ATMOSPHERE} kPa"
    words = (
        f"{figures(p1, 6)} kPa absolute at {figures(t1, 5)} K, then {figures(p2, 6)} kPa at {figures(t2, 5)} K{taken}; "
        f"without a leak {figures(p1, 6)} × {figures(t2, 5)} / {figures(t1, 5)} = {figures(p1 / f, 6)} kPa"
    )
    return Drift(p2 * f - p1, u, t1, t2 - t1, words)


def written(read: Read) -> str:
    """``712.0 kPa at 20.0 Cel``."""
    return f"{read.pressure} at {read.temperature}" if read.temperature is not None else str(read.pressure)


def _steps(job: Job, gauge: str | None, thermometer: str | None) -> tuple[Decimal, Decimal] | Unknown:
    """Standard uncertainty that the last digit of gauge and thermometer hides, kPa and K."""
    found = []
    for name, kind, what in ((gauge, PressureGauge, "gauge"), (thermometer, Thermometer, "thermometer")):
        record = job.instrument(name)
        step: Quantity | None = (
            record.model.resolution if record is not None and isinstance(record.model, kind) else None
        )
        if step is None:
            which = f"the {what} {name}" if name else f"the {what}, which is not named,"
            return Unknown(
                f"the resolution of {which} is not known",
                f"Register the {what} with its resolution, and name it in the entry.",
            )
        found.append(step.si / SQRT12)
    return found[0], found[1]
