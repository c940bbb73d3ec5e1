"""The seat holds: drift after the settling minute, temperature and the section's own leak taken out.

RUN: worked out apart from this service. The rule is common practice, no published source.
"""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import constants

from service.checks.creep import CREEP, check, seat_flow
from tests.checks.job_for_order import q
from tests.checks.shut import BOTH, FINE, decay, judged, lockup, with_resolutions

ASKED = {"max_rise_percent": "15", "settle": "PT1M", "observe": "PT15M", "creep_limit": q("3 kPa")}


def outlet(*facts, instruments=BOTH, leak_test=None, **asked):
    asks = {"lockup": {name: value for name, value in {**ASKED, **asked}.items() if value is not None}}
    if leak_test:
        asks["leak_test"] = {"sections": [leak_test], "limit": q("0.005 Pa.m3/s")}
    (finding,) = judged(check, *facts, asks=asks, instruments=instruments).values()
    return finding


def watched(start, end, until="PT16M", **members):
    return lockup(("PT1M", start), (until, end), **members)


def creep_of(finding):
    return float(finding.measured["value"])


# --- outside values


def test_a_fifth_of_a_millilitre_a_minute_into_a_litre_and_a_half():
    """0.2 mL/min into a closed 1.5 L line → 0.8106 kPa/h. RUN."""
    per_hour = 0.2e-6 / 60 * constants.atm / 1.5e-3 * 3600 / 1000
    assert per_hour == pytest.approx(0.8106, abs=5e-5)
    assert float(seat_flow(Decimal(str(per_hour)), Decimal("1.5"))) == pytest.approx(0.2, rel=1e-12)


@pytest.mark.parametrize(("end", "verdict"), [("480.0 kPa", "conforming"), ("495.0 kPa", "nonconforming")])
def test_a_pressure_that_stands_and_one_that_rises_by_fifteen(end, verdict):
    """480 kPa at 1 min and at 15 min: no creep; a rise of 15 kPa, as from 430 to 445: creep. Common practice."""
    assert outlet(watched("480.0 kPa at 20.0 Cel", f"{end} at 20.0 Cel"), observe="PT14M").verdict == verdict
    assert outlet(watched("430.0 kPa at 20.0 Cel", "445.0 kPa at 20.0 Cel")).verdict == "nonconforming"


def test_ten_kelvin_in_a_dome_at_705_kilopascals_are_27_and_a_half():
    """A dome shut at 20 °C and 705 kPa gauge rises about 27.5 kPa for 10 K (ideal gas): no creep."""
    finding = outlet(watched("705.0 kPa at 20.0 Cel", "732.5 kPa at 30.0 Cel"), instruments=FINE)
    assert creep_of(finding) == pytest.approx(0, abs=0.05)


# --- arithmetic


def test_the_finding_shows_the_whole_arithmetic():
    finding = outlet(watched("712.0 kPa at 20.0 Cel", "712.1 kPa at 20.0 Cel"))
    assert finding.verdict == "conforming"
    assert finding.says == (
        "712.0 kPa at 20.0 Cel 1 min after flow stopped, 15 min later 712.1 kPa at 20.0 Cel: 813.300 kPa absolute at "
        "293.15 K, then 813.400 kPa at 293.15 K; without a leak 813.300 × 293.15 / 293.15 = 813.300 kPa; drift 0.100 kPa, "
        "the section's own leak taken as none: creep 0.100 kPa in 15 min, U 0.24 kPa (k = 2), 0.12 mL/min through the seat "
        "into 1.8 L; limit 3 kPa: c + U is within it."
    )


def test_a_leak_hides_creep_and_is_given_back():
    """0.005 Pa·m³/s out of 1.8 L in 15 min is 2.5 kPa."""
    leaking = decay("712.0 kPa at 20 Cel", "707.0 kPa at 20 Cel")
    still = watched("712.0 kPa at 20 Cel", "712.0 kPa at 20 Cel")
    finding = outlet(leaking, still, instruments=FINE, leak_test="outlet")
    assert creep_of(finding) == pytest.approx(2.5, rel=1e-4)
    assert "+ 2.50 kPa lost by the section's leak (0.00500 Pa.m3/s)" in finding.says
    assert finding.entries[1] == "decay outlet 10:20:00"
    rising = watched("712.0 kPa at 20 Cel", "712.6 kPa at 20 Cel")
    assert outlet(leaking, rising, instruments=FINE, leak_test="outlet").verdict == "nonconforming"


@given(st.floats(0, 0.01), st.floats(0, 5), st.integers(2, 60), st.floats(285, 305))
def test_what_seat_and_leak_do_together_is_taken_apart_again(leak, creep, minutes, kelvin):
    """A section of 1.8 L into which a seat passes and out of which a leak goes, simulated with scipy's constants."""
    reference = constants.zero_Celsius + 20

    def pressure(start, seconds, *, fed):
        lost = leak * seconds / 1.8e-3 * kelvin / reference / 1000
        return round(start - lost + (creep / 900 * seconds if fed else 0), 9)

    leaked = decay(f"700 kPa at {kelvin} K", f"{pressure(700, 1800, fed=False)} kPa at {kelvin} K")
    seconds = minutes * 60 + 900
    crept = watched(
        f"700 kPa at {kelvin} K", f"{pressure(700, seconds, fed=True)} kPa at {kelvin} K", f"PT{seconds + 60}S"
    )
    finding = outlet(leaked, crept, instruments=with_resolutions("0.000000001 kPa", "0.000000001 K"))
    assert creep_of(finding) == pytest.approx(creep, abs=0.01, rel=1e-2)


# Limit 3 kPa in 15 min, temperature steady, instruments fine enough that U is nothing.
@pytest.mark.parametrize(
    ("end", "verdict"), [("714.999", "conforming"), ("715", "inconclusive"), ("715.001", "nonconforming")]
)
def test_the_limit_itself(end, verdict):
    assert outlet(watched("712 kPa at 20 Cel", f"{end} kPa at 20 Cel"), instruments=FINE).verdict == verdict


def test_with_instruments_that_cannot_tell_it_is_inconclusive():
    finding = outlet(watched("712.0 kPa at 20.0 Cel", "714.9 kPa at 20.0 Cel"))
    assert finding.verdict == "inconclusive"
    assert "Observe it longer" in finding.advice


def test_a_longer_observation_is_brought_to_the_time_asked():
    finding = outlet(watched("712.0 kPa at 20.0 Cel", "716.0 kPa at 20.0 Cel", "PT31M"))
    assert (finding.verdict, finding.measured["value"]) == ("conforming", "2.00")


@pytest.mark.parametrize("until", ["PT1M", "PT15M59S"])
def test_too_short_an_observation_settles_nothing(until):
    finding = outlet(watched("712.0 kPa at 20.0 Cel", "712.1 kPa at 20.0 Cel", until))
    assert finding.verdict == "inconclusive"
    assert "no two readings 15 min apart" in finding.says


def test_where_no_time_is_asked_the_last_reading_counts():
    tests = lockup(("PT1M", "712.0 kPa at 20 Cel"), ("PT2M", "712.5 kPa at 20 Cel"), ("PT5M", "716.0 kPa at 20 Cel"))
    assert outlet(tests, observe=None).measured["value"] == "4.00"


def test_what_happens_before_it_has_settled_is_no_creep():
    tests = lockup(("PT5S", "690 kPa at 20 Cel"), ("PT1M", "712.0 kPa at 20 Cel"), ("PT16M", "712.1 kPa at 20 Cel"))
    assert outlet(tests).measured["value"] == "0.100"


def test_warmth_is_no_creep_and_cold_hides_none():
    warmer = watched("712.0 kPa at 20.0 Cel", "717.5 kPa at 22.0 Cel")
    colder = watched("712.0 kPa at 20.0 Cel", "712.0 kPa at 18.0 Cel")
    assert outlet(warmer).verdict == "conforming"
    assert outlet(colder).verdict == "nonconforming"


def test_a_pressure_that_falls_by_more_than_the_leak_explains_may_hide_creep():
    finding = outlet(watched("712.0 kPa at 20.0 Cel", "709.0 kPa at 20.0 Cel"))
    assert finding.verdict == "inconclusive"
    assert "could hide creep" in finding.says


def test_a_leak_that_was_to_be_measured_and_was_not_may_hide_creep():
    still = watched("712.0 kPa at 20.0 Cel", "712.0 kPa at 20.0 Cel")
    finding = outlet(still, leak_test="outlet")
    assert finding.verdict == "inconclusive"
    assert "a leak could hide creep" in finding.says
    creeping = watched("712.0 kPa at 20.0 Cel", "722.0 kPa at 20.0 Cel")
    assert outlet(creeping, leak_test="outlet").verdict == "nonconforming"  # a leak would only make it more


@pytest.mark.parametrize(
    ("members", "words"),
    [({"thermometer": None}, "resolution of the thermometer"), ({"instrument": None}, "resolution of the gauge")],
)
def test_what_it_cannot_do_without(members, words):
    finding = outlet(watched("712.0 kPa at 20.0 Cel", "712.1 kPa at 20.0 Cel", **members))
    assert finding.verdict == "inconclusive"
    assert words in finding.says


def test_without_temperatures_creep_and_warmth_look_alike():
    assert outlet(watched("712.0 kPa", "712.1 kPa")).verdict == "inconclusive"


def test_no_test_and_none_asked_for():
    assert outlet().verdict == "inconclusive"
    assert outlet(watched("1 kPa", "2 kPa"), creep_limit=None).verdict == "not_applicable"


def test_the_catalogue_row_reads_leaks_too():
    assert CREEP.reads == {"leak.tested", "lockup.tested", "rebuild.opened"}
