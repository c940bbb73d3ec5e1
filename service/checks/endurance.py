"""The other bank holds enough gas for as long as the work will take.

m = n·V·(ρ(p, T) − ρ(p_r, T))          kg, usable down to the reserve pressure p_r
V_free = m / ρ(101.325 kPa, 15 °C)     L of free gas
conforming while V_free ≥ q·t·margin; hours of carry = V_free / q
    n cylinders of water volume V; p gauge pressure, the atmosphere taken as 101.325 kPa; T their temperature; ρ a real
    gas's density (``service.checks.gas``); q the demand, L/min of free gas; t the expected duration of the work.

Liquefied gases (nitrous oxide, carbon dioxide) hold the same pressure until the liquid is gone: content from pressure
is refused. The margin belongs to the procedure; the rule is common practice, no published source.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from decimal import Decimal
from functools import partial
from typing import Any, NamedTuple

from service.checks import gas
from service.checks.clock import lapse, span
from service.checks.finding import COMMON_PRACTICE, Check, Finding, say, worst
from service.checks.job import Fact, Job
from service.checks.shut_section import STANDARD_ATMOSPHERE
from service.entries.quantity import Flow, Pressure, Temperature, Volume, figures
from service.entries.work import BankIsolated

NAME = "endurance"
SOURCE = f"margin: the procedure; {gas.SOURCE}; rule: {COMMON_PRACTICE}"
_said = partial(say, NAME, SOURCE, "companion bank")
_FREE = "free gas (15 °C, 101.325 kPa)"


class _Bank(NamedTuple):
    """The other bank, and what is asked of it: everything that the arithmetic needs."""

    gas: str
    cylinders: int
    volume: Volume
    pressure: Pressure
    temperature: Temperature
    reserve: Pressure
    demand: Flow
    duration: timedelta


def check(job: Job) -> Iterator[Finding]:
    """One finding about the companion bank; of several isolations that tell of it, the one that fares worst."""
    if job.procedure.endurance is None:
        yield _said("not_applicable", "The procedure does not ask what the other bank holds.")
        return
    isolations = job.facts.of(BankIsolated)
    telling = [fact for fact in isolations if fact.data.companion or fact.data.demand] or isolations
    if not telling:
        advice = "Record bank.isolated with the companion bank and the demand."
        yield _said("inconclusive", "No bank.isolated is recorded.", advice)
        return
    yield worst(_isolation(job, fact) for fact in telling)


def _isolation(job: Job, fact: Fact[BankIsolated]) -> Finding:
    bank = _bank(job, fact)
    if isinstance(bank, gas.Unknown):
        return _said("inconclusive", f"{bank.why}.", bank.advice, entries=(fact.id,))
    content = gas.usable(
        bank.gas,
        float(bank.cylinders * bank.volume.si),
        float(bank.temperature.si),
        _pascal(bank.pressure),
        _pascal(bank.reserve),
    )
    if isinstance(content, gas.Unknown):
        return _said("inconclusive", f"{_written(bank)}: {content.why}.", content.advice, entries=(fact.id,))
    return _against_demand(job, fact, bank, content)


def _bank(job: Job, fact: Fact[BankIsolated]) -> _Bank | gas.Unknown:
    """What is recorded of the other bank and the demand; else what is missing, or why it would be no use."""
    told, opening = fact.data.companion, job.opening
    kind = (told.gas if told else None) or job.register.gas
    if told and told.temperature and (refused := gas.unfit(kind, float(told.temperature.si))):
        return refused
    expected = opening.data.expected_duration if opening else None
    values: dict[str, Any] = {
        "the number of cylinders": told and told.cylinders,
        "their water volume": told and told.water_volume,
        "their pressure": told and told.pressure,
        "their temperature": told and told.temperature,
        "the reserve pressure": told and told.reserve_pressure,
        "the demand": fact.data.demand,
        "the expected duration": expected,
    }
    if missing := [name for name, value in values.items() if value is None]:
        why = f"Not recorded of the companion bank and what is asked of it: {', '.join(missing)}"
        return gas.Unknown(why, "Correct bank.isolated (for the duration rebuild.opened) and add what is missing.")
    *members, duration = values.values()
    return _Bank._make((kind, *members, span(duration)))


def _against_demand(job: Job, fact: Fact[BankIsolated], bank: _Bank, content: gas.Content) -> Finding:
    mass, litres = Decimal(content.kilograms), Decimal(content.litres)
    margin = job.procedure.endurance.margin if job.procedure.endurance else "1"
    needed = bank.demand.si * (bank.duration // timedelta(seconds=1)) / 60 * Decimal(margin)
    enough = litres >= needed
    opening = job.opening
    hours = f", {figures(litres / bank.demand.si / 60, 3)} h of carry" if bank.demand.si else ""
    says = (
        f"{_written(bank)}, down to {bank.reserve}: {figures(mass, 4)} kg usable, {figures(litres, 4)} L of {_FREE}"
        f"{hours}; wanted {bank.demand} × {lapse(bank.duration)} × {margin} = {figures(needed, 4)} L"
    )
    short = f": {figures(needed - litres, 3)} L short" if not enough else ""
    return _said(
        "conforming" if enough else "nonconforming",
        f"{says}{short}.",
        None if enough else "Put fuller cylinders on the other bank before this one goes out, or plan a shorter job.",
        measured=_litres(litres),
        required={"low": _litres(needed)},
        entries=(fact.id, *((opening.id,) if opening else ())),
    )


def _pascal(p: Pressure) -> float:
    """Absolute pressure, Pa; rounded to what no gauge can tell, so that equal readings are worked out once."""
    absolute = p.si if p.reference == "absolute" else p.si + STANDARD_ATMOSPHERE
    return float(round(absolute * 1000))


def _written(bank: _Bank) -> str:
    said = bank.gas.replace("_", " ")
    return f"{bank.cylinders} × {bank.volume} of {said} at {bank.pressure} and {bank.temperature}"


def _litres(litres: Decimal) -> dict[str, Any]:
    shown = {"value": figures(litres, 4), "unit": "L"}
    return {**shown, "si": shown}


ENDURANCE = Check(
    NAME,
    "The companion bank's usable gas, by a real gas's density, lasts for demand × expected duration × margin.",
    "V_free = n·V·(ρ(p, T) − ρ(p_r, T)) / ρ(101.325 kPa, 15 °C) ≥ q·t·margin; carry = V_free / q",
    SOURCE,
    reads=frozenset({"bank.isolated", "rebuild.opened"}),
    run=check,
)
