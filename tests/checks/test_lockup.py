"""The seat closes. ISO 10524 family: closure after a minute; ISO 2503: R < 0.3 (both from memory)."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.checks.lockup import LOCKUP, check
from tests.checks.job_for_order import q
from tests.checks.shut import judged, lockup


def closure(*tests, rise="15", **asked):
    return judged(check, *tests, asks={"lockup": {"max_rise_percent": rise, **asked}})


def one(*readings, rise="15", settle=None, **members):
    (finding,) = closure(lockup(*readings, **members), rise=rise, **({"settle": settle} if settle else {})).values()
    return finding


# 4.00 → 4.60 bar: R 0.150; 4.00 → 4.32: 0.080. By the definition in ISO 2503 (from memory).
@pytest.mark.parametrize(
    ("flowing", "closed", "r"),
    [("4.00 bar", "4.60 bar", "15.0"), ("4.00 bar", "4.32 bar", "8.00"), ("50 psi", "54 psi", "8.00")],
)
def test_the_rise_at_closure(flowing, closed, r):
    assert one(("PT1M", f"{closed} at 20 Cel"), flowing=flowing).measured["value"] == r


def test_the_finding_shows_the_whole_arithmetic():
    finding = one(("PT1M", "4.60 bar at 20 Cel"), flowing="4.00 bar")
    assert finding.says == (
        "4.00 bar flowing, 4.60 bar 1 min after flow stopped: R = (460.000 − 400.000) / 400.000 = 15.0 %, "
        "U 0.022 % (k = 2); greatest rise 15 %: within it."
    )
    assert finding.required == {"high": {"value": "15", "unit": "%", "si": {"value": "15", "unit": "%"}}}


# The greatest rise itself conforms: 0.3 × 4.00 bar is 1.20 bar.
@pytest.mark.parametrize(
    ("closed", "verdict"), [("5.19", "conforming"), ("5.20", "conforming"), ("5.21", "nonconforming")]
)
def test_the_greatest_rise_is_included(closed, verdict):
    assert one(("PT1M", f"{closed} bar at 20 Cel"), flowing="4.00 bar", rise="30").verdict == verdict


@given(st.integers(1000, 9000), st.integers(0, 4000), st.integers(0, 50))
def test_a_rise_conforms_exactly_when_it_is_not_more_than_allowed(flowing, more, percent):
    finding = one(
        ("PT1M", f"{flowing + more} Pa at 20 Cel"), flowing=f"{flowing} Pa", rise=str(percent), instrument=None
    )
    assert (finding.verdict == "conforming") == (100 * more <= percent * flowing)


def test_a_rise_beyond_is_nonconforming_and_says_where_to_look():
    finding = one(("PT1M", "4.80 bar at 20 Cel"), flowing="4.00 bar")
    assert finding.verdict == "nonconforming"
    assert "seat" in finding.advice


def test_the_first_reading_after_the_settling_minute_decides():
    early = ("PT20S", "5.50 bar at 20 Cel")
    assert one(early, ("PT1M", "4.30 bar at 20 Cel"), ("PT16M", "5.50 bar at 20 Cel"), flowing="4.00 bar").verdict == (
        "conforming"
    )


def test_without_a_reading_after_it_nothing_is_known():
    finding = one(("PT59S", "4.30 bar at 20 Cel"), flowing="4.00 bar")
    assert finding.verdict == "inconclusive"
    assert "no reading 1 min or more after flow stopped" in finding.says


def test_the_procedure_may_name_another_settling_time():
    reading = ("PT59S", "4.30 bar at 20 Cel")
    assert one(reading, flowing="4.00 bar", settle="PT30S").verdict == "conforming"
    assert one(reading, flowing="4.00 bar", settle="PT2M").verdict == "inconclusive"


def test_absolute_readings_are_brought_to_gauge():
    finding = one(("PT1M", "561.3 kPa absolute at 20 Cel"), flowing="501.3 kPa absolute")
    assert finding.measured["value"] == "15.0"


def test_an_absolute_reading_without_the_atmosphere_tells_no_rise():
    finding = one(("PT1M", "561.3 kPa absolute at 20 Cel"), flowing="400 kPa", atmosphere=None)
    assert finding.verdict == "inconclusive"
    assert "the rise is one of gauge pressures" in finding.says


def test_a_pressure_that_falls_at_closure_shows_a_leak_or_a_draw():
    finding = one(("PT1M", "3.90 bar at 20 Cel"), flowing="4.00 bar")
    assert finding.verdict == "inconclusive"
    assert "it fell when flow stopped" in finding.says


def test_nothing_delivered_has_no_rise():
    assert one(("PT1M", "4.00 bar at 20 Cel"), flowing="0 bar").verdict == "inconclusive"


def test_no_test_and_none_asked_for():
    assert closure()["lock-up"].verdict == "inconclusive"
    (finding,) = judged(check, lockup(("PT1M", "700 kPa at 20 Cel")), asks={}).values()
    assert finding.verdict == "not_applicable"


def test_each_section_is_judged_by_its_last_test():
    bad, good = ("PT1M", "5.50 bar at 20 Cel"), ("PT1M", "4.30 bar at 20 Cel")
    found = closure(
        lockup(bad, flowing="4.00 bar", clock="11:00:00"),
        lockup(good, flowing="4.00 bar", clock="11:30:00"),
        lockup(bad, flowing="4.00 bar", clock="11:40:00", section=None),
    )
    assert {name: finding.verdict for name, finding in found.items()} == {
        "outlet": "conforming",
        "lock-up": "nonconforming",
    }


def test_an_unknown_gauge_is_judged_without_an_uncertainty_made_up():
    finding = one(("PT1M", "4.30 bar at 20 Cel"), flowing="4.00 bar", instrument=None, volume=q("2 L"))
    assert finding.verdict == "conforming"
    assert "U " not in finding.says


def test_the_sources_are_named():
    assert "ISO 2503" in LOCKUP.source
    assert "from memory" in LOCKUP.source
