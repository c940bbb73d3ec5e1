"""What a turn does, learned from a device's own adjustments.

The interval of a median by the sign test is distribution-free: Conover, Practical Nonparametric Statistics, §3.2 (from
memory); the oracle is scipy's binomial distribution and its quantile test.
"""

from decimal import Decimal

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from service.checks.job import Adjustment, Earlier, Facts
from service.checks.pressure_per_turn import adjustments, interval_of_median, learned, of_job, percent
from service.entries.work import SettingAdjusted
from tests.checks.building import at, fact, job, opened, q


def made(*slopes, turns="0.5"):
    half = Decimal(turns)
    return [
        Adjustment(half, Decimal(300), Decimal(300) + half * Decimal(str(one)), f"e{n}") for n, one in enumerate(slopes)
    ]


def adjusted(clock, turns, before, after, **more):
    data = {"turns": q(turns)} | ({"before": q(before)} if before else {}) | ({"after": q(after)} if after else {})
    return fact("setting.adjusted", clock, data, **more)


def test_two_adjustments_teach_nothing():
    assert learned(made(30, 31)) is None


def test_three_adjustments_teach_their_median_between_the_least_and_the_greatest():
    per_turn = learned(made(30, 33, 31))
    assert (per_turn.kpa, per_turn.low, per_turn.high) == (31, 30, 33)
    assert per_turn.confidence == 0.75  # 1 − 2/2³: a coin that never comes down on one side
    assert per_turn.says == "31.00 kPa per turn, the median of 3 adjustments; 30.00 to 33.00 at 75 % confidence"


def test_one_bad_reading_does_not_move_what_the_others_say():
    good = learned(made(30, 31, 32, 33))
    spoiled = learned(made(30, 31, 32, 33, 900))
    assert abs(spoiled.kpa - good.kpa) <= 1
    assert np.mean([30, 31, 32, 33, 900]) > 200  # what an average would have said


def test_one_bad_reading_among_nine_is_outside_the_interval():
    per_turn = learned(made(30, 31, 30, 32, 31, 30, 31, 32, 900))
    assert per_turn.high == 32
    assert per_turn.confidence == pytest.approx(0.961, abs=0.0005)


def test_an_adjustment_out_teaches_as_much_as_one_in():
    out = Adjustment(Decimal("-0.25"), Decimal(360), Decimal(352), "out")
    assert out.slope == 32


@pytest.mark.parametrize("n", [3, 5, 6, 8, 9, 12, 17, 30, 60])
def test_the_interval_is_that_of_the_sign_test(n):
    values = [Decimal(i * i) for i in range(n)]
    low, high, confidence = interval_of_median(values)
    k = values.index(low) + 1
    assert values[-k] == high
    assert confidence == pytest.approx(1 - 2 * stats.binom.cdf(k - 1, n, 0.5), abs=1e-12)
    narrower = 1 - 2 * stats.binom.cdf(k, n, 0.5)
    assert narrower < 0.95, "a narrower interval would have done"
    if n >= 6:
        told = stats.quantile_test([float(v) for v in values], q=0, p=0.5).confidence_interval(confidence_level=0.95)
        assert float(low) <= told.low <= told.high <= float(high)


def test_no_interval_is_told_to_be_certain():
    assert percent(1.0) == "99.9 %"
    assert percent(0.9609375) == "96.1 %"


@given(st.lists(st.decimals("20", "60", places=2), min_size=9, max_size=9), st.decimals("-5000", "5000", places=1))
def test_whatever_one_bad_reading_says_the_rest_hold_the_median(slopes, bad):
    slopes = sorted(slopes)
    per_turn = learned(made(*slopes[:-1], bad))
    assert slopes[0] <= per_turn.kpa <= slopes[-2]


def test_only_adjustments_that_tell_both_pressures_against_one_reference_teach():
    facts = Facts(
        [
            adjusted("09:00", "0.5 turn", "300 kPa", "315 kPa", id="tells"),
            adjusted("09:01", "0.5 turn", None, "315 kPa"),
            adjusted("09:02", "0.5 turn", "300 kPa", None),
            adjusted("09:03", "0 turn", "300 kPa", "315 kPa"),
            fact(
                "setting.adjusted",
                "09:04",
                {"turns": q("0.5 turn"), "before": q("300 kPa"), "after": {**q("415 kPa"), "reference": "absolute"}},
            ),
        ]
    )
    (only,) = adjustments(facts.of(SettingAdjusted))
    assert (only.turns, only.before, only.after) == (Decimal("0.5"), 300, 315)


def test_flats_and_psi_are_turns_and_kilopascals():
    (only,) = adjustments(Facts([adjusted("09:00", "3 flat", "50 psi", "52 psi")]).of(SettingAdjusted))
    assert only.turns == Decimal("0.5")
    assert float(only.slope) == pytest.approx(4 * 6.894757293168361, rel=1e-12)  # NIST SP 811 (2008) App. B.8


def test_a_rebuild_knows_what_earlier_ones_between_and_its_own_adjustments_taught():
    earlier = Earlier("r0", at("01:00"), adjusted=tuple(made(30)))
    between = adjusted("02:00", "0.5 turn", "300 kPa", "316 kPa")
    later = adjusted("23:00", "0.5 turn", "300 kPa", "390 kPa")
    own = adjusted("10:30", "0.5 turn", "300 kPa", "315.5 kPa")
    known = of_job(job(opened(), own, earlier=[earlier], between=[between, later]))
    assert known.kpa == 31
    assert known.known_from == "adjustments"
