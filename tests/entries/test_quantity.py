"""Quantities: the digits as written, the unit from a closed list, the value exact in SI.

Outside values: NIST SP 811 (2008) App. B.8 (from memory), independently ``scipy.constants``; UCUM codes, ucum.org.
"""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from jiter import LosslessFloat
from pydantic import ValidationError
from scipy import constants

from service.entries.quantity import (
    UNITS,
    Area,
    Flow,
    LeakRate,
    Length,
    Measure,
    Pressure,
    PressureDifference,
    SignedTurns,
    SpringRate,
    Temperature,
    TemperatureDifference,
    Torque,
    Turns,
    Volume,
    dimensions_of,
    figures,
    resolve,
    same_when_rounded,
)
from service.entries.reading import read_json

KINDS = {
    "torque": Torque,
    "pressure": PressureDifference,
    "length": Length,
    "volume": Volume,
    "temperature": Temperature,
    "temperature difference": TemperatureDifference,
    "turns": Turns,
    "flow": Flow,
    "leak rate": LeakRate,
    "spring rate": SpringRate,
    "area": Area,
}
SPELLINGS = [
    (dimension, unit, spelling)
    for dimension, units in UNITS.items()
    for unit in units
    for spelling in dict.fromkeys((unit.code, *unit.spellings, unit.ucum))
    if spelling
]


def refused(kind, value, unit, **more):
    """The code under which a quantity is refused."""
    with pytest.raises(ValidationError) as refusal:
        kind.model_validate({"value": value, "unit": unit, **more})
    return refusal.value.errors()[0]["type"]


# --- what units are worth


# NIST SP 811 (2008) App. B.8 prints 1.355 818, 0.112 984 8, 9.806 65 (from memory); the digits are scipy.constants'.
@pytest.mark.parametrize(
    ("quantity", "si"),
    [
        (Torque(value="1", unit="ft.lbf"), "1.3558179483314004"),
        (Torque(value="1", unit="in.lbf"), "0.1129848290276167"),
        (Torque(value="1", unit="kgf.m"), "9.80665"),
        (Torque(value="1", unit="kgf.cm"), "0.0980665"),
        (Torque(value="1", unit="cN.m"), "0.01"),
        (Torque(value="12", unit="ft.lbf"), "16.269815379976805"),
        (Torque(value="144", unit="in.lbf"), "16.269815379976805"),
        (PressureDifference(value="1", unit="psi"), "6.894757293168361"),
        (PressureDifference(value="1", unit="atm"), "101.325"),
        (PressureDifference(value="1", unit="bar"), "100"),
        (PressureDifference(value="50", unit="psi"), "344.7378646584181"),
        (PressureDifference(value="55", unit="psi"), "379.2116511242599"),
        (PressureDifference(value="160", unit="psi"), "1103.1611669069378"),
        (PressureDifference(value="185", unit="psi"), "1275.5300992361468"),
    ],
)
def test_a_unit_is_worth_what_the_standard_says(quantity, si):
    assert quantity.si == pytest.approx(Decimal(si), rel=Decimal("1e-12"))


def test_twenty_newton_metres_in_foot_pounds():
    _, factor, _ = resolve("torque", "ft.lbf")
    assert Torque(value="20", unit="N.m").si / factor == pytest.approx(
        Decimal("14.751242985545307"), rel=Decimal("1e-12")
    )


@pytest.mark.parametrize(
    ("psi", "kpa"), [("50", "344.738"), ("55", "379.212"), ("160", "1103.161"), ("185", "1275.530")]
)
def test_pressures_of_the_trade_rounded_as_they_are_printed(psi, kpa):
    assert round(PressureDifference(value=psi, unit="psi").si, 3) == Decimal(kpa)


def test_factors_that_are_exact_are_exact():
    # 0.3048 m × 0.45359237 kg × 9.80665 m/s2
    exact = Decimal("0.3048") * Decimal("0.45359237") * Decimal("9.80665")
    assert Torque(value="1", unit="ft.lbf").si == exact == Decimal("1.3558179483314004")
    assert Torque(value="12", unit="in.lbf").si == exact
    # conventional: 13 595.1 kg/m3 and 1000 kg/m3 × 9.80665 m/s2 × 1 mm (NIST SP 811 prints 133.3224 and 9.806 65, from
    # memory); scipy.constants has the torr, 1.4e-7 less
    assert PressureDifference(value="1", unit="mmHg").si == Decimal("0.133322387415")
    assert PressureDifference(value="1", unit="mmH2O").si == Decimal("0.00980665")
    assert LeakRate(value="1", unit="mbar.L/s").si == Decimal("0.1")


FACTORS = {
    (Torque, "ft.lbf"): constants.foot * constants.pound_force,
    (Torque, "in.lbf"): constants.inch * constants.pound_force,
    (Torque, "kgf.m"): constants.kilogram_force,
    (Pressure, "psi"): constants.psi / 1000,
    (Pressure, "bar"): constants.bar / 1000,
    (Pressure, "atm"): constants.atm / 1000,
    (Length, "in"): constants.inch * 1000,
    (Volume, "ft3"): constants.foot**3 * 1000,
    (SpringRate, "lbf/in"): constants.pound_force / constants.inch / 1000,
}


@given(st.decimals("0", "100000", places=4), st.sampled_from(sorted(FACTORS, key=str)))
def test_si_and_back_is_the_number_as_an_independent_table_has_it(number, of):
    kind, unit = of
    quantity = kind(value=f"{number:f}", unit=unit)
    assert float(quantity.si) == pytest.approx(float(number) * FACTORS[of], rel=1e-12, abs=1e-15)
    _, factor, offset = resolve(kind.dimension, unit)
    assert round((quantity.si - offset) / factor, 4) == number


@given(st.decimals("-459.67", "3000", places=2))
def test_fahrenheit_is_the_one_of_an_independent_table(degrees):
    quantity = Temperature(value=f"{degrees:f}", unit="[degF]")
    assert float(quantity.si) == pytest.approx(constants.convert_temperature(float(degrees), "F", "K"), abs=1e-9)


@pytest.mark.parametrize(
    ("value", "unit", "kelvin"), [("20.0", "Cel", "293.15"), ("32", "°F", "273.15"), ("0", "K", "0")]
)
def test_a_temperature_has_its_zero_and_a_difference_has_none(value, unit, kelvin):
    assert Temperature(value=value, unit=unit).si == pytest.approx(Decimal(kelvin), abs=Decimal("1e-18"))
    assert TemperatureDifference(value="0", unit=unit).si == 0


def test_a_difference_of_nine_fahrenheit_is_five_kelvin():
    assert TemperatureDifference(value="9", unit="°F").si == 5


# 1 mbar·L/s = 59.2154 sccm at 0 °C and 1 atm
def test_standard_flow_is_counted_at_nought_degrees_and_one_atmosphere():
    one = LeakRate(value="1", unit="mbar.L/s").si / LeakRate(value="1", unit="sccm").si
    assert one == pytest.approx(Decimal("59.2154"), abs=Decimal("0.0001"))


@pytest.mark.parametrize(("value", "unit"), [("5.25", "turn"), ("1890", "deg"), ("31.5", "flat"), ("31.5", "flats")])
def test_five_and_a_quarter_turns_however_written(value, unit):
    assert Turns(value=value, unit=unit).si == Decimal("5.25")


# --- spellings


@pytest.mark.parametrize(("dimension", "unit", "spelling"), SPELLINGS)
def test_every_spelling_is_taken_and_given_back_as_its_code(dimension, unit, spelling):
    reference = {"reference": "absolute"} if spelling == "psia" else {}
    kind = Pressure if reference else KINDS[dimension]
    quantity = kind(value="300", unit=spelling, **reference)
    assert quantity.code == unit.code
    assert quantity.si == kind(value="300", unit=unit.code, **reference).si
    assert quantity.shown()["unit"] == unit.code


def test_every_dimension_has_a_kind_of_quantity():
    assert set(KINDS) == set(UNITS)


@pytest.mark.parametrize("dimension", UNITS)
def test_no_spelling_stands_for_two_units_of_one_dimension(dimension):
    listed = [spelling for of, _, spelling in SPELLINGS if of == dimension]
    assert len(set(listed)) == len(listed)


@pytest.mark.parametrize("dimension", UNITS)
def test_the_si_unit_of_a_dimension_is_worth_one(dimension):
    assert resolve(dimension, UNITS[dimension][0].code)[1:] == (1, 0)


# What people write and what UCUM writes.
@pytest.mark.parametrize("spelling", ["ft·lbf", "ft-lb", "lbf.ft", "[ft_i].[lbf_av]", "ft lbs"])
def test_foot_pounds_are_foot_pounds_however_written(spelling):
    assert Torque(value="30.0", unit=spelling).code == "ft.lbf"


# --- what cannot be a quantity


@pytest.mark.parametrize(
    ("kind", "unit", "code"),
    [
        (Torque, "kPa", "wrong_dimension"),
        (Pressure, "N.m", "wrong_dimension"),
        (Length, "turn", "wrong_dimension"),
        (Torque, "newtons", "unknown_unit"),
        (Torque, "", "unknown_unit"),
        (Torque, "n.m", "unknown_unit"),
        (Torque, " N.m", "unknown_unit"),
        (Pressure, "bar(g)", "unknown_unit"),
        (Torque, "9**9**9", "unknown_unit"),
        (Measure, "furlong", "unknown_unit"),
        (Torque, None, "string_type"),
        (Torque, 3, "string_type"),
    ],
)
def test_a_unit_of_another_dimension_or_of_none_is_refused(kind, unit, code):
    assert refused(kind, "36.0", unit) == code


def test_a_refusal_says_what_the_unit_measures_and_what_is_wanted():
    with pytest.raises(ValidationError) as refusal:
        Torque(value="36.0", unit="kPa")
    assert "kPa measures pressure, a torque is wanted (N.m, ft.lbf" in str(refusal.value)


@pytest.mark.parametrize(
    "value",
    [
        True, False, None, [], {}, float("nan"), float("inf"), 36.0, "NaN", "nan", "Infinity", "-inf", "", " ", "36,0",
        "+36", "36.", ".5", "3 6", " 36", "36 ", "0x24", "1_000", "٣٦", "36.0 N.m", "1e", "e3", "1e1000", "--1", "36\n",
        "1" * 60,
    ],
)  # fmt: skip
def test_what_is_no_decimal_number_is_refused(value):
    assert refused(Torque, value, "N.m") == "not_a_number"


@pytest.mark.parametrize("body", [b"NaN", b"Infinity", b"-Infinity"])
def test_json_has_no_name_for_what_cannot_be_measured(body):
    from service.entries.refusals import Unreadable

    with pytest.raises(Unreadable) as refusal:
        read_json(b'{"value": ' + body + b', "unit": "N.m"}')
    assert [(fault.pointer, fault.code) for fault in refusal.value.faults] == [("/value", "not_a_number")]


@pytest.mark.parametrize(
    "value",
    [
        "1234567890123456789",
        "1.234567890123456789",
        "123456789.1234567890",
        "1e18",
        "1e-40",
        "1e999",
        10**18,
        "-" + "9" * 19,
    ],
)
def test_more_than_eighteen_digits_are_refused(value):
    assert refused(SignedTurns, value, "turn") == "too_many_digits"


@pytest.mark.parametrize(
    ("sent", "kept"),
    [
        ("123456789012345678", "123456789012345678"),
        ("0.000000000000000001", "0.000000000000000001"),
        (123456789012345678, "123456789012345678"),
        ("36.0", "36.0"),
        (LosslessFloat(b"36.0"), "36.0"),
        (36, "36"),
        ("1e3", "1000"),
        ("1.50E+2", "150"),
        ("3.60e1", "36.0"),
        ("25e-3", "0.025"),
        (LosslessFloat(b"2.5e-3"), "0.0025"),
        ("1e17", "100000000000000000"),
        ("-0", "-0"),
        ("007", "007"),
    ],
)
def test_the_digits_are_kept_as_sent_and_an_exponent_is_written_out(sent, kept):
    assert Torque.model_validate({"value": sent, "unit": "N.m"}).value == kept


def test_a_json_number_keeps_the_zero_that_says_how_well_it_was_read():
    sent = read_json(b'[{"value": 36.0, "unit": "N.m"}, {"value": 36, "unit": "N.m"}]')
    assert [Torque.model_validate(one).value for one in sent] == ["36.0", "36"]


@given(st.decimals(allow_nan=False, allow_infinity=False, min_value=0, max_value=10**9, places=6))
def test_whatever_is_kept_is_the_number_that_was_sent(number):
    assert Torque(value=str(number), unit="N.m").number == number


@given(st.text(max_size=12))
def test_no_text_does_worse_than_being_refused(text):
    for value, unit in ((text, "N.m"), ("1", text)):
        try:
            quantity = Torque(value=value, unit=unit)
        except ValidationError:
            continue
        assert quantity.si >= 0


@pytest.mark.parametrize(
    ("kind", "value", "unit", "more"),
    [
        (Torque, "-0.1", "N.m", {}),
        (Turns, "-0.25", "turn", {}),
        (Temperature, "-273.16", "Cel", {}),
        (Temperature, "-459.68", "°F", {}),
        (Pressure, "-101.4", "kPa", {}),
        (Pressure, "-1", "kPa", {"reference": "absolute"}),
        (PressureDifference, "-1", "kPa", {}),
    ],
)
def test_less_than_can_be_is_refused(kind, value, unit, more):
    assert refused(kind, value, unit, **more) == "below_lowest"


@pytest.mark.parametrize(
    ("kind", "value", "unit"),
    [
        (SignedTurns, "-0.25", "turn"),
        (Temperature, "-273.15", "Cel"),
        (Pressure, "-101.325", "kPa"),
        (Pressure, "-1", "atm"),
    ],
)
def test_the_least_that_can_be_is_taken(kind, value, unit):
    assert kind(value=value, unit=unit).value == value


@pytest.mark.parametrize(("unit", "reference"), [("psia", "absolute"), ("psig", "gauge"), ("psi", "gauge")])
def test_a_spelling_that_tells_the_reference_needs_no_other_word(unit, reference):
    pressure = Pressure(value="114.7", unit=unit)
    assert pressure.reference == reference
    assert pressure.model_dump(exclude_unset=True) == {"value": "114.7", "unit": unit}, "kept as it was sent"


@pytest.mark.parametrize(("unit", "reference"), [("psia", "gauge"), ("psig", "absolute")])
def test_a_reference_said_twice_must_be_the_same(unit, reference):
    assert refused(Pressure, "14.7", unit, reference=reference) == "two_references"


def test_a_pressure_is_gauge_unless_it_says_absolute():
    assert Pressure(value="400", unit="kPa").reference == "gauge"
    assert str(Pressure(value="101.3", unit="kPa", reference="absolute")) == "101.3 kPa absolute"


def test_a_member_that_is_not_known_is_refused():
    assert refused(Torque, "36.0", "N.m", note="by hand") == "extra_forbidden"


# --- how it is shown


def test_it_is_shown_as_written_and_in_si():
    shown = Torque(value="60", unit="ft-lb").shown()
    assert shown == {"value": "60", "unit": "ft.lbf", "si": {"value": "81.349", "unit": "N.m"}}


@pytest.mark.parametrize(
    ("number", "count", "shown"),
    [
        ("81.34907689988402", 5, "81.349"),
        ("86.23002151387706", 5, "86.230"),
        ("0.00123456", 3, "0.00123"),
        ("123456.7", 3, "123457"),
        ("-0.5", 3, "-0.500"),
        ("0", 5, "0"),
        ("80.8383", 3, "80.8"),
    ],
)
def test_significant_figures_in_plain_digits(number, count, shown):
    assert figures(Decimal(number), count) == shown


@pytest.mark.parametrize("count", [1, 3, 30])
def test_numbers_of_any_size_can_be_shown(count):
    for number in (Decimal("1e75"), Decimal("-1e-75"), Decimal(1) / 3):
        assert Decimal(figures(number, count)) == pytest.approx(number, rel=Decimal("0.1"))


@pytest.mark.parametrize(("value", "count"), [("36.0", 3), ("36", 2), ("0.5", 1), ("0.050", 2), ("81.00", 4)])
def test_significant_figures_as_written(value, count):
    assert Torque(value=value, unit="N.m").significant == count


def test_the_same_number_in_every_other_unit():
    others = list(Torque(value="41", unit="ft-lb").readings_in_other_units())
    assert [str(other) for other in others] == ["41 N.m", "41 in.lbf", "41 kgf.m", "41 kgf.cm", "41 cN.m"]


def test_a_measure_takes_a_unit_of_any_dimension():
    measure = Measure(value="14.2", unit="bar")
    assert (measure.si, measure.si_unit, measure.code) == (1420, "kPa", "bar")
    assert Measure(value="-5", unit="Cel").si == pytest.approx(Decimal("268.15"))


def test_a_spelling_can_be_known_in_two_dimensions():
    assert dimensions_of("K") == ("temperature", "temperature difference")
    assert dimensions_of("no such") == ()


# --- one requirement in two units: common practice, no published source


@pytest.mark.parametrize(
    ("stated", "other", "same"),
    [
        ("30 ft.lbf", "41 N.m", True),
        ("50 ft.lbf", "68 N.m", True),
        ("41 N.m", "30 ft.lbf", True),
        ("30 ft.lbf", "40.7 N.m", True),
        ("30 ft.lbf", "40.6 N.m", False),
        ("30 ft.lbf", "41.0 N.m", False),
        ("30 ft.lbf", "40 N.m", False),
        ("12 ft.lbf", "144 in.lbf", True),
        ("36 N.m", "36 ft.lbf", False),
    ],
)
def test_two_statements_agree_to_the_last_digit_printed(stated, other, same):
    stated, other = (Torque(value=value, unit=unit) for value, unit in (text.split() for text in (stated, other)))
    assert same_when_rounded(stated, other) is same


@given(st.decimals("0.1", "500", places=1), st.sampled_from(["ft.lbf", "in.lbf", "kgf.m"]), st.integers(0, 4))
def test_a_torque_and_its_rounded_conversion_are_one_requirement(number, unit, places):
    stated = Torque(value=f"{number:f}", unit=unit)
    assert same_when_rounded(stated, Torque(value=f"{round(stated.si, places):f}", unit="N.m"))


def test_the_same_number_in_other_units_keeps_its_reference_and_leaves_out_what_cannot_be():
    others = {str(other) for other in Pressure(value="5", unit="psia").readings_in_other_units()}
    assert {"5 bar absolute", "5 kPa absolute"} < others
    assert "-5 bar" not in {str(other) for other in Pressure(value="-5", unit="psi").readings_in_other_units()}
