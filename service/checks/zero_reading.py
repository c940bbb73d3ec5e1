"""What one reading says about zero pressure: two proofs, and when a gauge is to be believed.

Measured: |p| + U ≤ limit proves it, |p| − U > limit refutes it, between them it is open; p gauge pressure, kPa;
U = 2·u, k = 2, JCGM 100:2008 (from memory; confirm against the document). A gauge of which nothing says how true it is
(no certificate, no class) can refute zero but not prove it: the resolution alone is no uncertainty.
Vented: the vent is open to atmosphere and the gauge stands at its zero, |p| ≤ resolution/2. Enough whatever U is: a
bank gauge in steps of 5 bar cannot measure 2 kPa, but it can stand at its zero on an open vent.
Believed: the same gauge was seen to read something as found. Common practice, no published source.
Held: t_last − t_first ≥ hold over the proofs since anything refuted them; a passing valve lets pressure rise again.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal
from typing import Literal

from service.checks.clock import clock
from service.checks.gauge import accuracy, gauge_name, resolution, standard_uncertainty
from service.checks.job import Fact, Job
from service.entries.procedure import ZeroPoint
from service.entries.quantity import figures
from service.entries.work import PressureRead

Standing = Literal["proves", "refutes", "open"]
COVERAGE = 2
"""k: U = 2·u."""


@dataclass(frozen=True, slots=True)
class ZeroReading:
    """One reading at one point, what it stands for, why, and what would settle it where it is open."""

    fact: Fact[PressureRead]
    standing: Standing
    says: str
    advice: str = ""

    @property
    def at(self) -> datetime:
        """When it was read."""
        return self.fact.at

    @property
    def bears(self) -> bool:
        """A reading taken during the work proves nothing, but it can refute."""
        return self.fact.data.phase == "isolated" or self.standing == "refutes"


@dataclass(slots=True)
class ZeroProof:
    """One point while its readings come in; ``held`` is None where the last of them did not prove zero."""

    hold: timedelta
    since: datetime | None = None
    held: timedelta | None = None

    def take(self, reading: ZeroReading) -> None:
        """The next reading."""
        self.held = None
        if reading.standing == "refutes":
            self.since = None
        elif reading.standing == "proves":
            self.since = self.since or reading.at
            self.held = reading.at - self.since

    @property
    def complete(self) -> bool:
        """Zero, and for as long as was asked."""
        return self.held is not None and self.held >= self.hold


def seen_alive(job: Job) -> Mapping[str, datetime]:
    """When each gauge was first seen, as found, to read more than its resolution (more than 0 where unknown)."""
    alive: dict[str, datetime] = {}
    for fact in job.facts.of(PressureRead):
        name, read = gauge_name(fact.data), fact.data.pressure
        moved = read.reference == "gauge" and abs(read.si) > (resolution(job, fact.data) or Decimal(0))
        if fact.data.phase == "as_found" and name is not None and moved:
            alive.setdefault(name, fact.at)
    return alive


def weigh(
    job: Job, fact: Fact[PressureRead], point: ZeroPoint, isolated: datetime, alive: Mapping[str, datetime]
) -> ZeroReading:
    """What this reading, taken after the isolation, says about zero at the point."""
    reading = _vented(job, fact) or _measured(job, fact, point)
    if reading.standing != "proves":
        return reading
    gauge = gauge_name(fact.data)
    if gauge is None:
        says = f"{reading.says}, but no gauge is named: one that was never seen to move proves nothing"
        return ZeroReading(fact, "open", says, "Name the gauge or instrument it was read on.")
    if gauge not in alive or alive[gauge] > isolated:
        says = f"{reading.says}, but {gauge} was not seen to read anything before the isolation: a gauge that was "
        advice = f"Record what {gauge} read as found, or prove zero on a gauge that was seen to read pressure."
        return ZeroReading(fact, "open", says + "never seen to move proves nothing", advice)
    return reading


def _vented(job: Job, fact: Fact[PressureRead]) -> ZeroReading | None:
    """Proof by an open vent; None where it is not one."""
    read, step = fact.data.pressure, resolution(job, fact.data)
    if not fact.data.vent_open or read.reference != "gauge" or abs(read.si) > (step or Decimal(0)) / 2:
        return None
    within = f" (within half of {figures(step, 3)} kPa)" if step else ""
    return ZeroReading(fact, "proves", f"{read} at {clock(job, fact.at)}, vent open, gauge at its zero{within}")


def _measured(job: Job, fact: Fact[PressureRead], point: ZeroPoint) -> ZeroReading:
    """Proof by measurement: |p| + U ≤ limit; refuted by |p| − U > limit."""
    read, limit = fact.data.pressure, point.limit.si
    said = f"{read} at {clock(job, fact.at)}"
    if read.reference == "absolute":
        says = f"{said}: an absolute pressure does not say how far it is from the atmosphere's"
        return ZeroReading(fact, "open", says, "Read it as gauge pressure.")
    p, u = abs(read.si), standard_uncertainty(job, fact)
    expanded = None if u is None else COVERAGE * u
    if p - (expanded or Decimal(0)) > limit:
        minus = "" if expanded is None else f" − U {figures(expanded, 3)}"
        return ZeroReading(fact, "refutes", f"{said}: {figures(p, 4)}{minus} kPa is more than {figures(limit, 4)} kPa")
    if expanded is None:
        return ZeroReading(fact, "open", f"{said}: the gauge's uncertainty is not known", _OR_VENT)
    if gauge_name(fact.data) and accuracy(job, fact) is None and p + expanded <= limit:
        says = f"{said}: how true the gauge is, is not known, only how finely it reads"
        return ZeroReading(fact, "open", says, f"{_OR_VENT} Register the gauge's certificate or class.")
    plus = f"{figures(p, 4)} + U {figures(expanded, 3)} = {figures(p + expanded, 4)} kPa"
    if p + expanded <= limit:
        return ZeroReading(fact, "proves", f"{said}: {plus}, at most {figures(limit, 4)} kPa")
    return ZeroReading(fact, "open", f"{said}: {plus} is over {figures(limit, 4)} kPa, too coarse to tell", _OR_VENT)


_OR_VENT = "Open the vent to atmosphere and record that the gauge stands at its zero, or read a finer gauge."
