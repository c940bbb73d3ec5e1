"""The probability that a torque lies in its band, and the decision on it.

Outside values: JCGM 106:2012 (formula from memory), decision rules ILAC-G8:09/2019 cl. 4.2; numbers by scipy.
"""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from service.checks.conformity import (
    Band,
    band_of,
    band_words,
    decide,
    is_over,
    probability,
    probability_above,
    required,
    two_torques,
)
from service.entries.procedure import Joint
from tests.checks.building import q

TEN = Band(Decimal(9), Decimal(11))
TENTH = Decimal("0.1")


def joint(**given_by):
    return Joint.model_validate({"joint": "seat", **given_by})


def guarded(confidence=None):
    said = {"confidence": confidence} if confidence else {}
    return joint(low=q("9 N.m"), high=q("11 N.m"), acceptance="guarded", **said)


# 10 ± 1 with u = 0.1; computed with scipy.stats.norm.
@pytest.mark.parametrize(
    ("y", "p"),
    [("10.8", 0.977250), ("10.9", 0.841345), ("11", 0.5), ("9.2", 0.977250), ("9", 0.5), ("10.835515", 0.95)],
)
def test_the_probability_is_the_published_one(y, p):
    assert probability(Decimal(y), TENTH, TEN) == pytest.approx(p, abs=1e-6)


@given(
    y=st.decimals("0.1", "200", places=3),
    u=st.decimals("0.001", "20", places=3),
    low=st.decimals("0", "100", places=2),
    width=st.decimals("0", "50", places=2),
)
def test_the_probability_is_the_one_an_independent_library_gives(y, u, low, width):
    band = Band(low, low + width)
    oracle = norm(loc=float(y), scale=float(u))
    p = probability(y, u, band)
    assert p == pytest.approx(oracle.cdf(float(band.high)) - oracle.cdf(float(band.low)), abs=1e-12)
    assert 0 <= p <= 1
    assert probability_above(y, u, band.high) == pytest.approx(oracle.sf(float(band.high)), abs=1e-12)


@given(st.decimals("0", "3", places=4), st.decimals("0.01", "1", places=3))
def test_as_far_above_the_middle_as_below_it_is_as_probable(off, u):
    assert probability(10 + off, u, TEN) == pytest.approx(probability(10 - off, u, TEN), abs=1e-12)


def test_a_number_known_exactly_is_in_or_out():
    nothing = Decimal(0)
    assert [probability(Decimal(y), nothing, TEN) for y in ("8.999", "9", "11", "11.001")] == [0, 1, 1, 0]
    assert [probability_above(Decimal(y), nothing, TEN.high) for y in ("11", "11.001")] == [0, 1]


def test_simple_acceptance_takes_both_ends_of_the_band_and_nothing_beyond():
    simple = joint(low=q("9 N.m"), high=q("11 N.m"))
    verdicts = [decide(simple, Decimal(y), None, TEN) for y in ("8.9999999", "9", "11", "11.0000001")]
    assert verdicts == ["nonconforming", "conforming", "conforming", "nonconforming"]


# p = 0.95 at y = 10.835515 and p = 0.05 at 11.164485 (scipy.stats.norm), u = 0.1.
@pytest.mark.parametrize(
    ("y", "verdict"),
    [
        ("10.8355", "conforming"),
        ("10.8356", "inconclusive"),
        ("11", "inconclusive"),
        ("11.1644", "inconclusive"),
        ("11.1646", "nonconforming"),
        ("9.1645", "conforming"),
        ("9.1644", "inconclusive"),
        ("8.8354", "nonconforming"),
    ],
)
def test_guarded_acceptance_is_inconclusive_between_the_confidences(y, verdict):
    assert decide(guarded(), Decimal(y), TENTH, TEN) == verdict


def test_the_procedure_says_how_sure_is_sure():
    # p(10.9) = 0.841345
    assert decide(guarded("0.84"), Decimal("10.9"), TENTH, TEN) == "conforming"
    assert decide(guarded("0.85"), Decimal("10.9"), TENTH, TEN) == "inconclusive"


def test_guarded_acceptance_without_an_uncertainty_is_inconclusive_even_in_the_middle():
    assert decide(guarded(), Decimal(10), None, TEN) == "inconclusive"


def test_over_the_band_is_decided_by_the_same_rule():
    simple = joint(low=q("9 N.m"), high=q("11 N.m"))
    assert is_over(simple, Decimal("11.01"), None, TEN) is True
    assert is_over(simple, Decimal(11), None, TEN) is False
    assert is_over(guarded(), Decimal("11.1646"), TENTH, TEN) is True
    assert is_over(guarded(), Decimal("11.1"), TENTH, TEN) is None
    assert is_over(guarded(), Decimal("11.1"), None, TEN) is None
    assert is_over(guarded(), Decimal("10.9"), None, TEN) is False


def test_a_torque_on_the_upper_end_is_not_over_it():
    assert is_over(guarded(), TEN.high, TENTH, TEN) is False


def test_sixty_foot_pounds_within_six_per_cent_is_this_band():
    dome = joint(torque=q("60 ft.lbf"), tolerance_percent="6")
    assert required(dome) == {
        "target": {"value": "60", "unit": "ft.lbf", "si": {"value": "81.349", "unit": "N.m"}},
        "low": {"si": {"value": "76.468", "unit": "N.m"}},
        "high": {"si": {"value": "86.230", "unit": "N.m"}},
    }
    assert band_words(dome) == "band 76.468 to 86.230 N.m (60 ft.lbf ± 6 %)"


def test_the_ends_of_a_band_are_exact_in_the_unit_of_the_procedure():
    dome = joint(torque=q("60 ft.lbf"), tolerance_percent="6")
    low, high = joint(low=q("56.4 ft.lbf"), high=q("63.6 ft.lbf")), band_of(dome)
    assert band_of(low) == high


def test_limits_of_the_procedure_are_shown_as_written():
    limits = joint(low=q("28 ft.lbf"), high=q("32 ft.lbf"))
    assert required(limits)["low"] == {"value": "28", "unit": "ft.lbf", "si": {"value": "37.963", "unit": "N.m"}}
    assert "target" not in required(limits)
    assert band_words(limits) == "band 37.963 to 43.386 N.m (28 ft.lbf to 32 ft.lbf)"


# Common practice, no published source: printed side by side, the two are one requirement rounded to whole numbers.
@pytest.mark.parametrize(
    ("stated", "also"),
    [("30 ft.lbf", "41 N.m"), ("50 ft.lbf", "68 N.m"), ("41 N.m", "30 ft.lbf"), ("30.0 ft.lbf", "41 N.m")],
)
def test_one_torque_printed_in_two_units_is_one_requirement(stated, also):
    assert two_torques(joint(torque=q(stated), also=q(also), tolerance_percent="6")) is None


def test_two_torques_that_do_not_round_to_each_other_are_two_requirements():
    two = two_torques(joint(torque=q("30 ft.lbf"), also=q("30 N.m"), tolerance_percent="6"))
    assert two == "The procedure prints two different torques: 30 ft.lbf (40.675 N.m) and 30 N.m (30.000 N.m)."


def test_two_torques_with_as_many_digits_as_we_take_are_still_compared():
    absurd = joint(torque=q("999999999999999999 kgf.m"), also=q("0.00000000000000001 in.lbf"), tolerance_percent="6")
    assert two_torques(absurd).startswith("The procedure prints two different torques")
