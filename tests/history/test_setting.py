"""Turns to a delivered pressure, and back: plain arithmetic, worked by hand beside each case."""

from decimal import Decimal

from hypothesis import given
from hypothesis import strategies as st

from service.checks.job import Adjustment
from service.checks.pressure_per_turn import PerTurn, learned
from service.history.setting import pressure_after, turns_to


def seen(*slopes, low="300", high="400"):
    """A device whose adjustments were made between two pressures."""
    span = Decimal(high) - Decimal(low)
    return learned([Adjustment(span / Decimal(s), Decimal(low), Decimal(high), f"e{s}") for s in slopes])


AS_REGISTERED = PerTurn(Decimal(40), "40 kPa per turn as registered", "register")


def test_turns_in_raise_to_the_target():
    reckoned = turns_to(seen("30", "32", "40"), Decimal(330), Decimal(346))
    assert reckoned.value == Decimal("0.5")  # (346 − 330)/32
    assert (reckoned.low, reckoned.high) == (Decimal(16) / 40, Decimal(16) / 30)
    assert "(346.0 kPa − 330.0 kPa) / 32.00 kPa per turn = +0.5 turn" in reckoned.says
    assert not reckoned.beyond_seen


def test_turns_out_lower_to_the_target_with_the_interval_the_right_way_round():
    reckoned = turns_to(seen("30", "32", "40"), Decimal(346), Decimal(330))
    assert reckoned.value == Decimal("-0.5")
    assert reckoned.low == Decimal(-16) / 30 < reckoned.value < reckoned.high == Decimal(-16) / 40


def test_a_target_beyond_what_was_seen_says_so():
    reckoned = turns_to(seen("30", "32", "40"), Decimal(390), Decimal(450))
    assert reckoned.beyond_seen
    assert "between 300.0 kPa and 400.0 kPa, and 450.0 kPa is outside" in reckoned.says


def test_both_ends_of_what_was_seen_are_inside():
    assert not turns_to(seen("30", "32", "40"), Decimal(300), Decimal(400)).beyond_seen


def test_what_was_registered_was_never_seen_and_has_no_interval():
    reckoned = turns_to(AS_REGISTERED, Decimal(330), Decimal(350))
    assert (reckoned.value, reckoned.low, reckoned.beyond_seen) == (Decimal("0.5"), None, True)
    assert "reckoned, not learned" in reckoned.says


def test_adjustments_that_contradict_each_other_in_direction_tell_no_turns():
    assert turns_to(seen("30", "32", "-5"), Decimal(330), Decimal(350)) is None


def test_a_pressure_after_turns_out():
    reckoned = pressure_after(seen("30", "32", "40"), Decimal(360), Decimal("-0.5"))
    assert (reckoned.value, reckoned.low, reckoned.high) == (344, 340, 345)
    assert reckoned.says.startswith("360.0 kPa − 0.5 turn × 32.00 kPa per turn = 344.0 kPa")


@given(st.decimals("310", "390", places=1), st.decimals("310", "390", places=1))
def test_turns_to_a_target_lead_to_it(now, target):
    known = seen("30", "32", "40")
    turns = turns_to(known, now, target)
    assert abs(pressure_after(known, now, turns.value).value - target) < Decimal("1E-20")
    assert turns.low <= turns.value <= turns.high
