"""The mistakes that are easily made, each shown to give another answer than ours."""

from datetime import date, datetime
from decimal import Decimal

import pytest
from dateutil.rrule import YEARLY, rrule
from scipy import constants

from service.checks.clock import later
from service.checks.gas import usable
from service.checks.leak import decay_rate
from service.checks.lockup import rise
from service.checks.torque_tool import Correction
from service.entries.words import Duration
from tests.checks.building import job, opened
from tests.checks.job_for_order import q
from tests.checks.shut import FINE, decay

LEAP_DAY = date(2024, 2, 29)


def leaked(test):
    return float(decay_rate(job(opened(), instruments=FINE), test).q)


def test_gauge_for_absolute_takes_warmth_for_a_leak():
    """+2 K in a tight section, 400 → 403.420 kPa gauge (RUN): in gauge pressures 0.69 kPa seem to have gone in."""
    test = decay(
        "400 kPa at 20 Cel", "403.420 kPa at 22 Cel", 3600, volume=q("2 L"), atmosphere=q("101.325 kPa absolute")
    )
    gauge_for_absolute = 2e-3 * 293.15 * (400_000 / 293.15 - 403_420 / 295.15) / 3600
    assert leaked(test) == pytest.approx(0, abs=1e-6)
    assert gauge_for_absolute == pytest.approx(-3.84e-4, rel=0.01)


def test_celsius_for_kelvin_makes_any_section_leak():
    """p2 = p1·T2/T1 in Celsius: +2 K would raise 501.325 kPa to 551.5, and a tight section seems to lose 47 kPa."""
    test = decay(
        "400 kPa at 20 Cel", "403.420 kPa at 22 Cel", 3600, volume=q("2 L"), atmosphere=q("101.325 kPa absolute")
    )
    celsius_for_kelvin = 2e-3 * 20 * (501_325 / 20 - 504_745 / 22) / 3600
    assert celsius_for_kelvin == pytest.approx(0.0236, rel=0.01)
    assert leaked(test) < celsius_for_kelvin / 1000


def test_no_temperature_at_all_makes_a_cooling_section_leak_three_times_as_much():
    test = decay(
        "400 kPa at 20 Cel", "394.675 kPa at 18 Cel", 3600, volume=q("2 L"), atmosphere=q("101.325 kPa absolute")
    )
    assert leaked(test) == pytest.approx(1.065456e-3, rel=1e-6)
    uncorrected = 2e-3 * 5325 / 3600
    assert uncorrected == pytest.approx(2.9583e-3, rel=1e-4)


def test_an_ideal_gas_at_200_bar_promises_oxygen_that_is_not_there():
    """43.3 L at 200 bar hold 8982 L (RUN CoolProp 8.0.0); p·V = n·R·T promises a good deal less or more."""
    ours = usable("oxygen", 43.3, 293.15, 201.01325e5, 1.0).litres
    ideal = 43.3 * 201.01325e5 / constants.atm * 288.15 / 293.15
    assert ours == pytest.approx(8982, rel=3e-3)
    assert abs(ideal / ours - 1) > 0.05


def test_an_ideal_gas_promises_air_that_is_not_there():
    """Air at 300 bar: the ideal gas is more than a tenth too high, and would send the wards without."""
    ours = usable("medical_air", 50, 293.15, 301.01325e5, 1.0).litres
    ideal = 50 * 301.01325e5 / constants.atm * 288.15 / 293.15
    assert ideal / ours > 1.08


def test_absolute_for_gauge_passes_a_seat_that_closes_late():
    """4.00 → 4.60 bar gauge is 15 %; in absolute pressures it would be 12, and pass a limit of 12."""
    ours = rise(Decimal("4.60"), Decimal("4.00"))
    absolute_for_gauge = rise(Decimal("5.61325"), Decimal("5.01325"))
    assert ours == Decimal("0.15")
    assert absolute_for_gauge < Decimal("0.12") < ours


def test_chained_durations_lose_the_leap_day():
    chained = LEAP_DAY
    for _ in range(4):
        chained = later(chained, Duration("P1Y"))
    assert later(LEAP_DAY, Duration("P4Y")) == date(2028, 2, 29)
    assert chained == date(2028, 2, 28)


def test_chained_months_lose_three_days():
    chained = later(later(date(2024, 1, 31), Duration("P1M")), Duration("P1M"))
    assert (later(date(2024, 1, 31), Duration("P2M")), chained) == (date(2024, 3, 31), date(2024, 3, 29))


def test_a_recurrence_rule_skips_the_years_that_have_no_such_day():
    """RFC 5545: a yearly rule from 29 February comes in leap years alone; a five-year one, not before 2044."""
    yearly = [at.date() for at in rrule(YEARLY, dtstart=datetime(2024, 2, 29), count=2)]  # noqa: DTZ001 - days alone
    five = [at.date() for at in rrule(YEARLY, interval=5, dtstart=datetime(2024, 2, 29), count=2)]  # noqa: DTZ001
    assert (yearly[1], later(LEAP_DAY, Duration("P1Y"))) == (date(2028, 2, 29), date(2025, 2, 28))
    assert (five[1], later(LEAP_DAY, Duration("P5Y"))) == (date(2044, 2, 29), date(2029, 2, 28))


def test_a_wrench_that_reads_high_is_divided_not_subtracted():
    """6 % high: 36.0 / 1.06 = 33.962 N·m; 36.0 × 0.94 = 33.84 is wrong."""
    given = Correction(Decimal(0), Decimal(1), Decimal("1.06"), "").of(Decimal("36.0"))
    assert round(given, 3) == Decimal("33.962")
    assert Decimal("36.0") * Decimal("0.94") == Decimal("33.840")


def test_sccm_counted_at_room_temperature_are_seven_per_cent_off():
    """1 mbar·L/s is 59.2154 sccm at 0 °C; the same pressure and volume at 20 °C hold fewer molecules."""
    at_zero = 0.1 / (constants.atm * 1e-6 / 60)
    assert at_zero == pytest.approx(59.2154, rel=1e-5)
    assert at_zero * 273.15 / 293.15 == pytest.approx(55.18, rel=1e-3)
