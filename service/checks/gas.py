"""How dense a gas is, by a real-gas equation of state; the only file that knows the library that solves them.

ρ(p, T), kg/m³ at absolute pressure and kelvin: oxygen Schmidt and Wagner 1985, nitrogen Span et al. 2000, air Lemmon et
al. 2000, argon Tegeler et al. 1999, helium Ortiz-Vega, as CoolProp solves them. The library takes seconds to load, so
it is loaded when a density is first asked for, and densities are remembered. An ideal gas is 10 % out at 200 bar.

Pressure tells the content of a cylinder only of a gas above its critical temperature. A liquefied gas holds the same
pressure until the liquid is gone: it has to be weighed.
"""

from __future__ import annotations

from functools import lru_cache
from math import isfinite
from typing import NamedTuple

from service.checks.finding import FROM_MEMORY

SOURCE = (
    f"equations of state: CoolProp (oxygen Schmidt–Wagner 1985, nitrogen Span 2000, air Lemmon 2000; {FROM_MEMORY})"
)
FREE_KELVIN, FREE_PASCAL = 288.15, 101_325.0
"""Litres of free gas are litres at 15 °C and 101.325 kPa."""


class Unknown(NamedTuple):
    """Why a density, or what hangs on it, is not known, and what would settle it."""

    why: str
    advice: str


class _Fluid(NamedTuple):
    """What the library calls a gas, and above which temperature its pressure tells its content, K."""

    name: str
    critical: float


_AIR = _Fluid("Air", 132.6)
_FLUIDS = {
    "oxygen": _Fluid("Oxygen", 154.6),
    "nitrogen": _Fluid("Nitrogen", 126.2),
    "surgical_nitrogen": _Fluid("Nitrogen", 126.2),
    "argon": _Fluid("Argon", 150.7),
    "helium": _Fluid("Helium", 5.2),
    **dict.fromkeys(("air", "medical_air", "surgical_air", "instrument_air", "synthetic_air"), _AIR),
}
_LIQUEFIED = frozenset({"nitrous_oxide", "carbon_dioxide"})


def unfit(gas: str, kelvin: float) -> Unknown | None:
    """Why the content of a cylinder of this gas cannot be told from its pressure; None where it can."""
    said = gas.replace("_", " ")
    if gas in _LIQUEFIED:
        why = f"{said} is liquefied: it holds the same pressure until the liquid is gone, which tells no content"
        return Unknown(why, "Weigh the cylinders against their tare.")
    fluid = _FLUIDS.get(gas)
    if fluid is None:
        return Unknown(f"no equation of state is known here for {said}", "Work out its content by hand, and note it.")
    if kelvin <= fluid.critical:
        return Unknown(f"{said} may be liquid at that temperature", "Correct the temperature of the cylinders.")
    return None


@lru_cache(4096)
def density(gas: str, pascal: float, kelvin: float) -> float | Unknown:
    """Density, kg/m³, at an absolute pressure, Pa, and a temperature, K."""
    if refused := unfit(gas, kelvin):
        return refused
    try:
        from CoolProp.CoolProp import PropsSI  # noqa: PLC0415 - seconds to load: only when a content is asked for
    except ImportError:
        return Unknown("the library of equations of state is not installed", "Install CoolProp, and judge again.")
    try:
        found = float(PropsSI("D", "T", kelvin, "P", pascal, _FLUIDS[gas].name))
    except ValueError:
        found = 0.0
    if not isfinite(found) or found <= 0:
        why = f"the equation of state of {gas.replace('_', ' ')} does not hold there"
        return Unknown(why, "Correct the pressure or the temperature of the cylinders.")
    return found


class Content(NamedTuple):
    """Gas that can be taken out of a bank: its mass, and the litres of free gas that this is."""

    kilograms: float
    litres: float


def usable(gas: str, litres: float, kelvin: float, full: float, reserve: float) -> Content | Unknown:
    """What a water volume, L, gives at a temperature, K, between two absolute pressures, Pa; nothing at the least."""
    now, left = density(gas, full, kelvin), density(gas, reserve, kelvin)
    free = density(gas, FREE_PASCAL, FREE_KELVIN)
    if isinstance(now, Unknown) or isinstance(left, Unknown) or isinstance(free, Unknown):
        return next(found for found in (now, left, free) if isinstance(found, Unknown))
    kilograms = max(0.0, litres / 1000 * (now - left))
    return Content(kilograms, 1000 * kilograms / free)
