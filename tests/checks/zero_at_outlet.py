"""One point, the regulator outlet: as found, isolated, read, and a part removed."""

from collections.abc import Iterable, Mapping
from typing import Any

from pydantic import BaseModel

from service.checks.finding import Finding
from service.checks.job import Fact, InstrumentRecord
from service.checks.zero_pressure import check
from tests.checks.job_for_order import DG_2, fact, found, isolated, job, q, read

ISOLATED = isolated("13:10:00")
PART_OUT = fact("part.removed", "13:40:00", part="main seat")
AS_FOUND = read("13:05:00", "outlet", "as_found", "872.4 kPa")


def outlet_only(hold: str | None = None) -> dict[str, Any]:
    points = [{"point": "outlet", "limit": q("2 kPa")}]
    return {"zero_pressure": {"points": points, **({"hold": hold} if hold else {})}}


def outlet(
    *readings: Fact[BaseModel],
    hold: str | None = None,
    before: Iterable[Fact[BaseModel]] = (AS_FOUND, ISOLATED),
    after: Iterable[Fact[BaseModel]] = (PART_OUT,),
    instruments: Mapping[str, InstrumentRecord] | None = None,
) -> Finding:
    """The finding at the outlet alone, from these readings."""
    facts = [*before, *readings, *after]
    judged = job(facts, procedure=outlet_only(hold), instruments=instruments or {"DG-2": DG_2})
    return found(check, judged)["outlet"]


def at_outlet(clock: str, phase: str = "isolated", pressure: str = "0.1 kPa", **data: Any) -> Fact[BaseModel]:
    return read(clock, "outlet", phase, pressure, **data)
