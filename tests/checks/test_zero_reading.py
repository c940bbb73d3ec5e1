"""What one reading says about zero, and when its gauge is believed."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.checks.job_for_order import (
    fact,
    instrument,
    q,
    read,
)
from tests.checks.zero_at_outlet import ISOLATED, at_outlet, outlet


# One reading. U = 0.2 kPa, limit 2 kPa: |p| + U ≤ 2 proves, |p| − U > 2 refutes.
@pytest.mark.parametrize(
    ("pressure", "verdict"),
    [
        ("0 kPa", "conforming"),
        ("1.8 kPa", "conforming"),
        ("-1.8 kPa", "conforming"),
        ("1.81 kPa", "inconclusive"),
        ("2 kPa", "inconclusive"),
        ("2.2 kPa", "inconclusive"),
        ("2.21 kPa", "nonconforming"),
        ("-2.21 kPa", "nonconforming"),
        ("0.26 psi", "conforming"),  # 1.7926 kPa
        ("0.27 psi", "inconclusive"),  # 1.8616 kPa
    ],
)
def test_measured_zero_counts_the_uncertainty_against_the_limit(pressure, verdict):
    assert outlet(at_outlet("13:20:00", pressure=pressure)).verdict == verdict


@given(st.integers(-500, 500))
def test_a_measured_pressure_is_never_both_proof_and_refutation(hundredths):
    p = Decimal(hundredths) / 100
    verdict = outlet(at_outlet("13:20:00", pressure=f"{p} kPa")).verdict
    assert (verdict == "conforming") == (abs(p) <= Decimal("1.8"))
    assert (verdict == "nonconforming") == (abs(p) > Decimal("2.2"))


COARSE = {"gauge": "outlet gauge", "resolution": q("5 bar")}
COARSE_AS_FOUND = (at_outlet("13:05:00", "as_found", "9 bar", **COARSE), ISOLATED)


def test_a_coarse_gauge_at_its_zero_on_an_open_vent_is_proof():
    reading = at_outlet("13:20:00", pressure="0 bar", vent_open=True, **COARSE)
    finding = outlet(reading, before=COARSE_AS_FOUND)
    assert finding.verdict == "conforming"
    assert "vent open, gauge at its zero (within half of 500 kPa)" in finding.says


def test_the_same_coarse_gauge_on_a_shut_vent_cannot_tell():
    finding = outlet(at_outlet("13:20:00", pressure="0 bar", vent_open=False, **COARSE), before=COARSE_AS_FOUND)
    assert finding.verdict == "inconclusive"
    assert "too coarse to tell" in finding.says
    assert "Open the vent" in finding.advice


@pytest.mark.parametrize(
    ("pressure", "verdict"), [("2.5 bar", "conforming"), ("2.51 bar", "inconclusive"), ("5 bar", "nonconforming")]
)
def test_on_an_open_vent_the_gauge_must_stand_within_half_a_division_of_zero(pressure, verdict):
    finding = outlet(at_outlet("13:20:00", pressure=pressure, vent_open=True, **COARSE), before=COARSE_AS_FOUND)
    assert finding.verdict == verdict  # 5 bar − U 2.9 bar is still far above 2 kPa


@pytest.mark.parametrize(("pressure", "verdict"), [("0 bar", "conforming"), ("0.01 bar", "inconclusive")])
def test_where_the_resolution_is_not_known_only_nought_is_zero(pressure, verdict):
    before = (at_outlet("13:05:00", "as_found", "9 bar", gauge="outlet gauge"), ISOLATED)
    finding = outlet(at_outlet("13:20:00", pressure=pressure, vent_open=True, gauge="outlet gauge"), before=before)
    assert finding.verdict == verdict


def test_a_pressure_over_the_limit_on_a_gauge_of_unknown_uncertainty_is_pressure():
    before = (at_outlet("13:05:00", "as_found", "9 bar", gauge="outlet gauge"), ISOLATED)
    assert (
        outlet(at_outlet("13:20:00", pressure="3 bar", gauge="outlet gauge"), before=before).verdict == "nonconforming"
    )


def test_an_absolute_pressure_wants_a_gauge_reading():
    finding = outlet(at_outlet("13:20:00", pressure="101.3 kPa absolute", vent_open=True))
    assert finding.verdict == "inconclusive"
    assert finding.advice == "Read it as gauge pressure."


# The gauge must be known to move.
def test_a_gauge_never_seen_to_move_proves_nothing():
    finding = outlet(at_outlet("13:20:00"), before=(ISOLATED,))
    assert finding.verdict == "inconclusive"
    assert "never seen to move proves nothing" in finding.says


def test_a_gauge_seen_to_move_at_another_point_is_alive():
    before = (read("13:03:00", "loading dome", "as_found", "905 kPa"), ISOLATED)
    assert outlet(at_outlet("13:20:00"), before=before).verdict == "conforming"


def test_a_gauge_seen_to_move_only_after_the_isolation_was_not_alive_before_it():
    before = (ISOLATED, read("13:12:00", "outlet", "as_found", "872 kPa"))
    assert outlet(at_outlet("13:20:00"), before=before).verdict == "inconclusive"


@pytest.mark.parametrize(("as_found", "verdict"), [("5 bar", "inconclusive"), ("5.1 bar", "conforming")])
def test_a_gauge_that_moved_by_no_more_than_its_resolution_was_not_seen_to_move(as_found, verdict):
    before = (at_outlet("13:05:00", "as_found", as_found, **COARSE), ISOLATED)
    assert outlet(at_outlet("13:20:00", pressure="0 bar", vent_open=True, **COARSE), before=before).verdict == verdict


def test_another_gauge_than_the_one_seen_alive_proves_nothing():
    gauge = {"gauge": "outlet gauge", "resolution": q("1 kPa")}
    assert outlet(at_outlet("13:20:00", pressure="0 kPa", **gauge)).verdict == "inconclusive"


def test_a_reading_that_names_no_gauge_proves_nothing():
    reading = fact(
        "pressure.read", "13:20:00", point="outlet", phase="isolated", pressure=q("0 kPa"), resolution=q("0.1 kPa")
    )
    finding = outlet(reading)
    assert finding.verdict == "inconclusive"
    assert finding.advice == "Name the gauge or instrument it was read on."


FINE = {"gauge": "outlet gauge", "resolution": q("0.1 kPa")}


@pytest.mark.parametrize(
    ("pressure", "vent_open", "verdict"),
    [("0.0 kPa", False, "inconclusive"), ("0.0 kPa", True, "conforming"), ("2.1 kPa", False, "nonconforming")],
)
def test_how_finely_a_gauge_reads_does_not_say_how_true_it_is(pressure, vent_open, verdict):
    before = (at_outlet("13:05:00", "as_found", "872.4 kPa", **FINE), ISOLATED)
    finding = outlet(at_outlet("13:20:00", pressure=pressure, vent_open=vent_open, **FINE), before=before)
    assert finding.verdict == verdict
    assert ("how true the gauge is, is not known" in finding.says) == (verdict == "inconclusive")


def test_a_class_says_how_true_a_gauge_is():
    classed = {"instrument": "DG-2", "kind": "pressure_gauge", "max": q("100 kPa"), "class_percent": "1"}
    assert outlet(at_outlet("13:20:00"), instruments={"DG-2": instrument(classed)}).verdict == "conforming"


def test_a_resolution_that_stands_in_the_register_counts_for_the_reading():
    coarse = instrument({"instrument": "DG-2", "kind": "pressure_gauge", "resolution": q("10 kPa")})
    assert outlet(at_outlet("13:20:00", pressure="0 kPa"), instruments={"DG-2": coarse}).verdict == "inconclusive"
