"""How much gas a cylinder gives: real-gas densities, free litres, and what is refused.

Masses and litres at 20 °C and an atmosphere of 1.01325 bar: RUN CoolProp 8.0.0, ±0.3 %. MEM: from memory, confirm
against the document.
"""

import math
import subprocess
import sys

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.checks import gas
from service.checks.gas import Unknown, density, usable

ATM = 101_325.0
BAR = 1e5
EMPTY = 1.0  # Pa: a cylinder opened to nothing


def content(kind, litres, bar_gauge, down_to_pascal=EMPTY, celsius=20):
    found = usable(kind, litres, celsius + 273.15, bar_gauge * BAR + ATM, down_to_pascal)
    assert not isinstance(found, Unknown), found
    return found


@pytest.mark.parametrize(
    ("kind", "litres", "bar", "kilograms", "free"),
    [
        ("oxygen", 50, 137, 9.6635, 7135),
        ("oxygen", 43.3, 200, 12.1656, 8982),
        ("nitrogen", 50, 200, 10.9749, 9261),
        ("medical_air", 43.3, 137, 7.1247, 5814),
        ("surgical_air", 43.3, 137, 7.1247, 5814),
    ],
)
def test_what_full_cylinders_hold(kind, litres, bar, kilograms, free):
    """RUN CoolProp 8.0.0."""
    found = content(kind, litres, bar)
    assert found.kilograms == pytest.approx(kilograms, rel=3e-3)
    assert found.litres == pytest.approx(free, rel=3e-3)


def test_ten_cylinders_from_137_to_14_bar_carry_a_hospital_for_ten_hours():
    """86.679 kg = 64 000 L, 10.67 h at 100 L/min. RUN CoolProp 8.0.0."""
    found = content("oxygen", 500, 137, 14 * BAR + ATM)
    assert found.kilograms == pytest.approx(86.679, rel=3e-3)
    assert found.litres == pytest.approx(64_000, rel=3e-3)
    assert found.litres / 100 / 60 == pytest.approx(10.67, rel=3e-3)


@pytest.mark.parametrize(
    ("kind", "density_at_15_degrees", "source"),
    [
        ("air", 1.2250, "ISO 2533:1975, standard atmosphere (MEM)"),
        ("oxygen", 1.354, "suppliers' gas tables, 15 °C and 1.013 bar (MEM)"),
        ("nitrogen", 1.185, "suppliers' gas tables, 15 °C and 1.013 bar (MEM)"),
        ("argon", 1.691, "suppliers' gas tables, 15 °C and 1.013 bar (MEM)"),
        ("helium", 0.1692, "suppliers' gas tables, 15 °C and 1.013 bar (MEM)"),
    ],
)
def test_free_gas_at_15_degrees_and_one_atmosphere(kind, density_at_15_degrees, source):
    assert density(kind, gas.FREE_PASCAL, gas.FREE_KELVIN) == pytest.approx(density_at_15_degrees, rel=1e-3), source


@pytest.mark.parametrize(
    ("kind", "fluid", "kelvin"),
    [  # NIST Chemistry WebBook (MEM)
        ("oxygen", "Oxygen", 154.58),
        ("nitrogen", "Nitrogen", 126.19),
        ("argon", "Argon", 150.69),
        ("helium", "Helium", 5.195),
    ],
)
def test_below_its_critical_temperature_pressure_tells_nothing(kind, fluid, kelvin):
    from CoolProp.CoolProp import PropsSI

    assert PropsSI("Tcrit", fluid) == pytest.approx(kelvin, rel=2e-3)
    assert gas.unfit(kind, kelvin - 0.1) is not None
    assert gas.unfit(kind, kelvin + 0.1) is None


@given(
    st.sampled_from([("oxygen", "O2"), ("nitrogen", "N2"), ("medical_air", "Air"), ("argon", "Ar"), ("helium", "He")]),
    st.integers(10_000, 30_000_000),
    st.floats(250, 330),
)
def test_densities_are_those_of_the_library_by_another_door(named, pascal, kelvin):
    """CoolProp's low-level interface, by another of the fluid's names, in moles."""
    from CoolProp import AbstractState
    from CoolProp.CoolProp import PT_INPUTS

    kind, alias = named
    state = AbstractState("HEOS", alias)
    state.update(PT_INPUTS, pascal, kelvin)
    assert density(kind, float(pascal), kelvin) == pytest.approx(state.rhomolar() * state.molar_mass(), rel=1e-9)


@given(st.sampled_from(["oxygen", "nitrogen", "medical_air"]), st.floats(1e5, 5e5), st.floats(270, 320))
def test_at_a_few_bar_every_gas_is_nearly_ideal(kind, pascal, kelvin):
    """p·M/(R·T), R by scipy, M by the periodic table (IUPAC, MEM)."""
    from scipy import constants

    molar = {"oxygen": 0.031998, "nitrogen": 0.028014, "medical_air": 0.028966}[kind]
    assert density(kind, pascal, kelvin) == pytest.approx(pascal * molar / (constants.R * kelvin), rel=6e-3)


@given(st.floats(20, 200), st.floats(1, 19), st.floats(250, 320))
def test_what_is_given_from_full_to_half_and_from_half_to_reserve_adds_up(full, reserve, kelvin):
    half = (full + reserve) / 2
    whole, first, second = (
        usable("oxygen", 50, kelvin, a * BAR, b * BAR) for a, b in ((full, reserve), (full, half), (half, reserve))
    )
    assert whole.kilograms == pytest.approx(first.kilograms + second.kilograms, rel=1e-9)


def test_a_bank_below_its_reserve_gives_nothing():
    assert content("oxygen", 50, 10, 14 * BAR + ATM).kilograms == 0


@pytest.mark.parametrize("kind", ["nitrous_oxide", "carbon_dioxide"])
@pytest.mark.parametrize("celsius", [-20, 20, 45])
def test_liquefied_gases_are_refused_at_any_temperature(kind, celsius):
    found = density(kind, 50 * BAR, celsius + 273.15)
    assert isinstance(found, Unknown)
    assert "holds the same pressure until the liquid is gone" in found.why
    assert "Weigh" in found.advice


def test_half_full_and_nearly_full_nitrous_oxide_show_the_same_pressure():
    """Why it is refused: saturation pressure at 20 °C, 50.6 bar absolute (CGA and suppliers' tables, MEM), however full."""
    from CoolProp.CoolProp import PropsSI

    fluid = {"T": 293.15, "Q": 0.1}, {"T": 293.15, "Q": 0.9}
    low, high = (PropsSI("P", "T", one["T"], "Q", one["Q"], "NitrousOxide") for one in fluid)
    assert low == pytest.approx(high, rel=1e-6)
    assert low == pytest.approx(50.6e5, rel=5e-3)


def test_a_gas_nobody_knows_is_not_guessed():
    found = density("xenon_mixture", 50 * BAR, 293.15)
    assert isinstance(found, Unknown)
    assert "no equation of state is known here for xenon mixture" in found.why


def test_what_the_equation_does_not_hold_for_is_not_made_up():
    assert isinstance(density("oxygen", math.inf, 293.15), Unknown)


def test_the_library_is_loaded_when_a_content_is_first_asked_for_and_not_before():
    """Starting the service, judging all else and refusing a liquefied gas load nothing of it."""
    program = (
        "import sys; import service.app, service.cli; from service.checks import gas\n"
        "gas.density('nitrous_oxide', 5e6, 293.15); assert 'CoolProp' not in sys.modules\n"
        "gas.density('oxygen', 5e6, 293.15); assert 'CoolProp' in sys.modules"
    )
    subprocess.run([sys.executable, "-c", program], check=True)


def test_without_the_library_nothing_is_known_and_the_reason_is_told(monkeypatch):
    monkeypatch.setitem(sys.modules, "CoolProp.CoolProp", None)
    gas.density.cache_clear()
    found = density("oxygen", 50 * BAR, 293.15)
    gas.density.cache_clear()
    assert isinstance(found, Unknown)
    assert "not installed" in found.why
