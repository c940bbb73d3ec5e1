"""Quantities: a decimal number as written, with a unit from a closed list.

Two layers: ``UNITS`` says how people and UCUM (Unified Code for Units of Measure, ucum.org) spell each unit; pint
says what it is worth. A caller's text is looked up in the list and never reaches pint's parser. Factors are exact
decimals: 1 ft·lbf = 0.3048 m × 0.453 592 37 kg × 9.806 65 m/s² (NIST SP 811 (2008) App. B.8 prints it rounded).
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from decimal import ROUND_HALF_EVEN, Context, Decimal
from functools import cache, lru_cache
from typing import Any, ClassVar, Literal, NamedTuple, Self

from pydantic import ConfigDict, GetJsonSchemaHandler, ValidationError, field_validator, model_validator
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema

from service.entries.once import once
from service.entries.words import DecimalText, Model, refuse


class Unit(NamedTuple):
    """One unit: the code we give back, what pint calls it, other spellings we take."""

    code: str
    pint: str
    spellings: tuple[str, ...] = ()
    ucum: str = ""


# Dimension → its units; the first of each is the SI unit in which that dimension is compared and shown.
UNITS: dict[str, tuple[Unit, ...]] = {
    "torque": (
        Unit("N.m", "newton * meter", ("N·m", "Nm", "N m", "N-m", "N*m", "newton metre"), "N.m"),
        Unit("ft.lbf", "foot * force_pound", ("ft·lbf", "ft-lbf", "ft lbf", "ft*lbf", "ft-lb", "ft.lb", "ft lb", "ft·lb",
             "ftlb", "ft-lbs", "ft lbs", "lbf.ft", "lbf·ft", "lbf-ft", "lbf ft", "lb-ft", "lb.ft", "lb ft", "lb·ft"), "[ft_i].[lbf_av]"),
        Unit("in.lbf", "inch * force_pound", ("in·lbf", "in-lbf", "in lbf", "in*lbf", "in-lb", "in.lb", "in lb", "in·lb",
             "inlb", "in-lbs", "in lbs", "lbf.in", "lbf·in", "lbf-in", "lbf in", "lb-in", "lb.in", "lb in"), "[in_i].[lbf_av]"),
        Unit("kgf.m", "kilogram_force * meter", ("kgf·m", "kgf-m", "kgf m", "kg-m", "kgm", "m.kgf"), "kgf.m"),
        Unit("kgf.cm", "kilogram_force * centimeter", ("kgf·cm", "kgf-cm", "kgf cm", "kg-cm", "kgcm", "cm.kgf"), "kgf.cm"),
        Unit("cN.m", "centinewton * meter", ("cN·m", "cNm", "cN m"), "cN.m"),
    ),
    "pressure": (
        Unit("kPa", "kilopascal", ("kpa", "KPa"), "kPa"),
        Unit("Pa", "pascal", ("pa",), "Pa"),
        Unit("MPa", "megapascal", (), "MPa"),
        Unit("hPa", "hectopascal", (), "hPa"),
        Unit("bar", "bar", ("Bar",), "bar"),
        Unit("mbar", "millibar", (), "mbar"),
        Unit("psi", "psi", ("PSI", "lbf/in2", "lbf/in²", "lb/in2", "psig", "psia"), "[psi]"),
        Unit("kgf/cm2", "kilogram_force / centimeter ** 2", ("kgf/cm²", "kg/cm2", "kg/cm²"), "kgf/cm2"),
        Unit("atm", "atmosphere", (), "atm"),
        Unit("mmHg", "mmHg", ("mm Hg", "mm[Hg]"), "mm[Hg]"),
        Unit("inHg", "inch_Hg", ("in Hg", "[in_i'Hg]"), "[in_i'Hg]"),
        Unit("cmH2O", "cmH2O", ("cm H2O", "cm[H2O]"), "cm[H2O]"),
        Unit("mmH2O", "cmH2O / 10", ("mm H2O", "mm[H2O]"), "mm[H2O]"),
    ),
    "length": (
        Unit("mm", "millimeter", (), "mm"),
        Unit("cm", "centimeter", (), "cm"),
        Unit("m", "meter", (), "m"),
        Unit("in", "inch", ("inch", "inches", "[in_i]"), "[in_i]"),
        Unit("ft", "foot", ("foot", "feet", "[ft_i]"), "[ft_i]"),
    ),
    "volume": (
        Unit("L", "liter", ("l", "litre", "liter", "dm3"), "L"),
        Unit("mL", "milliliter", ("ml", "cm3", "cc"), "mL"),
        Unit("m3", "meter ** 3", ("m³",), "m3"),
        Unit("ft3", "foot ** 3", ("ft³", "cu ft", "[cft_i]"), "[cft_i]"),
        Unit("in3", "inch ** 3", ("in³", "cu in", "[cin_i]"), "[cin_i]"),
    ),
    "temperature": (
        Unit("K", "kelvin", ("kelvin",), "K"),
        Unit("Cel", "degree_Celsius", ("°C", "degC", "C", "℃"), "Cel"),
        Unit("[degF]", "degree_Fahrenheit", ("°F", "degF", "F", "℉"), "[degF]"),
    ),
    "temperature difference": (
        Unit("K", "kelvin", ("kelvin",), "K"),
        Unit("Cel", "kelvin", ("°C", "degC", "C", "℃"), "Cel"),
        Unit("[degF]", "kelvin * 5 / 9", ("°F", "degF", "F", "℉"), "[degF]"),
    ),
    "turns": (
        Unit("turn", "turn", ("turns", "rev", "revolution", "[circ]", "circ"), "circ"),
        Unit("deg", "degree", ("°", "degree", "degrees"), "deg"),
        Unit("flat", "turn / 6", ("flats",), ""),
    ),
    "flow": (
        Unit("L/min", "liter / minute", ("l/min", "lpm", "LPM", "L.min-1"), "L/min"),
        Unit("m3/h", "meter ** 3 / hour", ("m³/h",), "m3/h"),
        Unit("m3/s", "meter ** 3 / second", ("m³/s",), "m3/s"),
        Unit("mL/min", "milliliter / minute", ("ml/min", "cc/min"), "mL/min"),
        Unit("L/s", "liter / second", ("l/s",), "L/s"),
        Unit("ft3/min", "foot ** 3 / minute", ("cfm", "CFM", "ft³/min", "[cft_i]/min"), "[cft_i]/min"),
        Unit("ft3/h", "foot ** 3 / hour", ("cfh", "CFH", "ft³/h", "[cft_i]/h"), "[cft_i]/h"),
    ),
    "leak rate": (
        Unit("Pa.m3/s", "pascal * meter ** 3 / second", ("Pa·m3/s", "Pa·m³/s", "Pa m3/s", "Pa.m3.s-1"), "Pa.m3/s"),
        Unit("mbar.L/s", "millibar * liter / second", ("mbar·L/s", "mbar.l/s", "mbar·l/s", "mbar L/s", "mbar l/s"), "mbar.L/s"),
        Unit("Pa.L/s", "pascal * liter / second", ("Pa·L/s", "Pa.l/s"), "Pa.L/s"),
        # Standard flows name the state of the gas: 101.325 kPa, at 0 °C (sccm, slm) — Q = p·dV/dt.
        Unit("sccm", "atmosphere * centimeter ** 3 / minute", ("SCCM",), ""),
    ),
    "spring rate": (
        Unit("N/mm", "newton / millimeter", (), "N/mm"),
        Unit("N/m", "newton / meter", (), "N/m"),
        Unit("lbf/in", "force_pound / inch", ("lb/in", "[lbf_av]/[in_i]"), "[lbf_av]/[in_i]"),
    ),
    "area": (
        Unit("mm2", "millimeter ** 2", ("mm²",), "mm2"),
        Unit("cm2", "centimeter ** 2", ("cm²",), "cm2"),
        Unit("in2", "inch ** 2", ("in²", "[sin_i]"), "[sin_i]"),
    ),
}  # fmt: skip
_ROUNDED = Context(prec=24)
"""Four digits short of the working precision, so that 90° is 0.25 turn and not a hair less."""
_ROOMY = Context(prec=200)
"""Room for the longest numbers we take beside the finest: rounding for show must not fail."""


class Resolved(NamedTuple):
    """SI value = number × factor + offset."""

    unit: Unit
    factor: Decimal
    offset: Decimal


@cache
def _registry() -> Any:
    import pint  # noqa: PLC0415 - most of a second to load: only when the first quantity is read

    return pint.UnitRegistry(non_int_type=Decimal)


@cache
def _spellings(dimension: str) -> dict[str, Unit]:
    return {
        spelling: unit for unit in UNITS[dimension] for spelling in (unit.code, *unit.spellings, unit.ucum) if spelling
    }


@cache
def _worth(dimension: str, unit: Unit) -> Resolved:
    quantity, si = _registry().Quantity, _registry().Unit(UNITS[dimension][0].pint)
    if unit.pint.startswith("degree_"):
        at_zero, at_one = (quantity(Decimal(number), unit.pint).to(si).magnitude for number in (0, 1))
        return Resolved(unit, at_one - at_zero, at_zero)
    si_in_base = quantity(Decimal(1), si).to_base_units().magnitude
    return Resolved(unit, _registry().parse_expression(unit.pint).to_base_units().magnitude / si_in_base, Decimal(0))


@cache
def resolve(dimension: str, spelling: str) -> Resolved:
    """What a spelling is worth in the SI unit of its dimension.

    Raises:
        KeyError: the spelling is not on the list of that dimension.
    """
    return _worth(dimension, _spellings(dimension)[spelling])


def load_units() -> None:
    """Resolve every unit now, most of a second, rather than while the first caller waits."""
    for dimension, units in UNITS.items():
        for unit in units:
            _worth(dimension, unit)


def dimensions_of(spelling: str) -> tuple[str, ...]:
    """Every dimension in which this spelling is known."""
    return tuple(dimension for dimension in UNITS if spelling in _spellings(dimension))


@lru_cache(8192)  # a rebuild is judged again with every entry, and most of its numbers stay
def figures(value: Decimal, count: int) -> str:
    """A number rounded to ``count`` significant figures, in plain digits: 81.34907… to 5 → ``81.349``."""
    if value == 0:
        return "0"
    exponent = value.adjusted() - count + 1
    return format(value.quantize(Decimal(1).scaleb(min(exponent, 0)), ROUND_HALF_EVEN, _ROOMY), "f")


class Quantity(Model):
    """A magnitude as written; ``.si`` is the same in the SI unit of its dimension."""

    dimension: ClassVar[str] = ""
    lowest: ClassVar[Decimal | None] = Decimal(0)
    """The least SI value that can be true; None where there is none."""

    value: DecimalText
    unit: str

    @classmethod
    def __get_pydantic_json_schema__(cls, schema: CoreSchema, handler: GetJsonSchemaHandler) -> JsonSchemaValue:
        """The closed list of spellings stands in the document."""
        document = handler(schema)
        dimensions = (cls.dimension,) if cls.dimension else tuple(UNITS)
        known = dict.fromkeys(spelling for dimension in dimensions for spelling in _spellings(dimension))
        handler.resolve_ref_schema(document)["properties"]["unit"] = {"type": "string", "enum": list(known)}
        return document

    @field_validator("unit")
    @classmethod
    def _known_unit(cls, spelling: str) -> str:
        if spelling in _spellings(cls.dimension):
            return spelling
        known = ", ".join(unit.code for unit in UNITS[cls.dimension])
        article = "an" if cls.dimension[0] in "aeiou" else "a"
        if elsewhere := dimensions_of(spelling):
            raise refuse(
                "wrong_dimension", f"{spelling} measures {elsewhere[0]}, {article} {cls.dimension} is wanted ({known})"
            )
        raise refuse("unknown_unit", f"unknown unit; for {cls.dimension} we know: {known}")

    @model_validator(mode="after")
    def _can_be_true(self) -> Quantity:
        if self.lowest is not None and self.si < self.lowest:
            raise refuse("below_lowest", f"{self.value} {self.unit} is less than can be")
        return self

    @once
    def number(self) -> Decimal:
        """The number as written."""
        return Decimal(self.value)

    @once
    def si(self) -> Decimal:
        """The value in the first unit of its dimension (``si_unit``)."""
        _, factor, offset = resolve(self.dimension, self.unit)
        return _ROUNDED.plus(self.number * factor + offset)

    @property
    def si_unit(self) -> str:
        """Code of the unit of ``si``."""
        return UNITS[self.dimension][0].code

    @property
    def code(self) -> str:
        """Code of the unit as written, whatever its spelling."""
        return resolve(self.dimension, self.unit).unit.code

    @property
    def significant(self) -> int:
        """Significant figures as written: 36.0 has three."""
        return max(1, len(self.number.as_tuple().digits))

    def __str__(self) -> str:
        return f"{self.value} {self.code}"

    def shown(self, count: int = 5) -> dict[str, Any]:
        """As findings show it: as written, and in SI to ``count`` figures."""
        return {"value": self.value, "unit": self.code, "si": {"value": figures(self.si, count), "unit": self.si_unit}}

    def readings_in_other_units(self) -> Iterator[Self]:
        """The same number in every other unit in which it can be true: what was meant if the unit slipped."""
        for unit in UNITS[self.dimension]:
            if unit.code != self.code:
                with suppress(ValidationError):
                    yield type(self).model_validate({**self.model_dump(), "unit": unit.code})


class Torque(Quantity):
    """A torque, SI N.m."""

    dimension = "torque"
    model_config = ConfigDict(json_schema_extra={"examples": [{"value": "30.0", "unit": "ft.lbf"}]})


class Pressure(Quantity):
    """A pressure, SI kPa, gauge unless it says absolute (psia says so by itself)."""

    dimension = "pressure"
    lowest = Decimal("-101.325")
    model_config = ConfigDict(json_schema_extra={"examples": [{"value": "400", "unit": "kPa"}]})

    reference: Literal["gauge", "absolute"] = "gauge"

    @model_validator(mode="after")
    def _reference_fits(self) -> Pressure:
        told = {"psia": "absolute", "psig": "gauge"}.get(self.unit, self.reference)
        if told != self.reference and "reference" in self.model_fields_set:
            raise refuse("two_references", f"{self.unit} is {told}, but the reference says {self.reference}")
        object.__setattr__(self, "reference", told)  # not among what was sent: the entry is kept as it came
        if self.reference == "absolute" and self.si < 0:
            raise refuse("below_lowest", "an absolute pressure cannot be negative")
        return self

    def __str__(self) -> str:
        return f"{self.value} {self.code}{' absolute' * (self.reference == 'absolute')}"


class PressureDifference(Quantity):
    """A span of pressure (a resolution, a limit on drift), SI kPa."""

    dimension = "pressure"


class Length(Quantity):
    """A length, SI mm."""

    dimension = "length"


class Volume(Quantity):
    """A volume, SI L."""

    dimension = "volume"


class Temperature(Quantity):
    """A temperature, SI K."""

    dimension = "temperature"
    lowest = Decimal("-1E-20")
    """A hair below nothing: absolute zero has no last digit in °F."""


class TemperatureDifference(Quantity):
    """A span of temperature (a resolution, an uncertainty), SI K."""

    dimension = "temperature difference"


class Turns(Quantity):
    """Turns of a stem, a flat being 60°; SI is kept in turns, the trade's unit."""

    dimension = "turns"


class SignedTurns(Turns):
    """Turns with a direction: positive is in."""

    lowest = None


class Flow(Quantity):
    """A volume flow, SI shown as L/min."""

    dimension = "flow"


class LeakRate(Quantity):
    """A leak rate, SI Pa.m3/s."""

    dimension = "leak rate"


class SpringRate(Quantity):
    """A spring rate, SI N/mm."""

    dimension = "spring rate"


class Area(Quantity):
    """An area, SI mm2."""

    dimension = "area"


class Measure(Quantity):
    """A magnitude of any dimension we know, for readings whose kind the procedure decides."""

    lowest = None

    @field_validator("unit")
    @classmethod
    def _known_unit(cls, spelling: str) -> str:
        if not dimensions_of(spelling):
            raise refuse(
                "unknown_unit", "unknown unit; we know: " + ", ".join(u.code for units in UNITS.values() for u in units)
            )
        return spelling

    @once
    def si(self) -> Decimal:
        """The value in the SI unit of the first dimension that knows its unit."""
        _, factor, offset = resolve(dimensions_of(self.unit)[0], self.unit)
        return _ROUNDED.plus(self.number * factor + offset)

    @property
    def si_unit(self) -> str:
        """Code of the unit of ``si``."""
        return UNITS[dimensions_of(self.unit)[0]][0].code

    @property
    def code(self) -> str:
        """Code of the unit as written."""
        return resolve(dimensions_of(self.unit)[0], self.unit).unit.code


def same_when_rounded(stated: Quantity, other: Quantity) -> bool:
    """Do two statements of one requirement agree, each in its own unit, to the last digit printed?

    30 ft·lbf is 40.7 N·m, printed 41 N·m: the same requirement. Common practice, no published source.
    """
    _, factor, offset = resolve(other.dimension, other.unit)
    converted = (stated.si - offset) / factor
    return converted.quantize(other.number, context=_ROOMY) == other.number
