"""Does the delivered pressure wander between visits? Common practice, no published source; sums worked by hand."""

from datetime import UTC, date, datetime, timedelta
from decimal import Decimal

import pytest

from service.entries.asset import Band
from service.history.drift import drift, outlook, stretches
from service.history.visits import Reading, Visit

FIRST = datetime(2020, 3, 1, 12, tzinfo=UTC)
YEAR = timedelta(days=365.25)
BAND = Band.model_validate({"low": {"value": "390", "unit": "kPa"}, "high": {"value": "430", "unit": "kPa"}})


def reading(kpa, years, u=None):
    at = FIRST + years * YEAR
    return Reading(Decimal(str(kpa)), at, f"p{kpa}@{years}", Decimal(str(u)) if u is not None else None)


def visits(*told, u=None):
    """(years since the first, as found, as left) of each visit."""
    return [
        Visit(
            f"r{years}",
            FIRST + years * YEAR,
            {"flowing": reading(found, years, u)} if found is not None else {},
            {"flowing": reading(left, years + 0.01, u)} if left is not None else {},
        )
        for years, found, left in told
    ]


def test_a_first_visit_says_nothing_of_drift():
    assert drift(stretches(visits((0, 400, 410)), "flowing")) is None


def test_drift_is_what_was_found_less_what_was_left_over_the_time_between():
    (one,) = stretches(visits((0, None, 410), (2.01, 406, 410)), "flowing")
    assert one.change == -4
    assert float(one.rate) == pytest.approx(-2)  # −4 kPa in two years


def test_what_a_technician_set_at_a_visit_is_no_drift():
    """From found to found it rose by 20 kPa; between the visits it fell by 4."""
    (one,) = stretches(visits((0, 390, 414), (2.01, 410, 410)), "flowing")
    assert one.change == -4


def test_three_stretches_teach_their_median_rate():
    told = visits((0, None, 410), (1.01, 407, 410), (2.02, 408, 410), (3.03, 390, 410))
    wandering = drift(stretches(told, "flowing"))
    assert float(wandering.rate) == pytest.approx(-3)
    assert float(wandering.low) == pytest.approx(-20)
    assert float(wandering.high) == pytest.approx(-2)
    assert "−3.00 kPa a year, the median of 3 stretches between visits" in wandering.says


def test_one_stretch_is_as_sure_as_its_gauges():
    """u of each reading 0.1 kPa: ± 2·√(0.1² + 0.1²)/2 = ± 0.14 kPa a year."""
    wandering = drift(stretches(visits((0, None, 410), (2.01, 406, 410), u="0.1"), "flowing"))
    assert float(wandering.high - wandering.rate) == pytest.approx(2 * 0.02**0.5 / 2, rel=1e-3)
    assert "fewer than 3 stretches tell no more" in wandering.says


def test_one_stretch_read_on_gauges_nobody_described_has_no_interval():
    wandering = drift(stretches(visits((0, None, 410), (2.01, 406, 410)), "flowing"))
    assert (wandering.low, wandering.high) == (None, None)


def test_a_visit_two_days_later_says_more_of_the_gauge_than_of_the_drift():
    assert not stretches(visits((0, None, 410), (2 / 365.25, 409, 410)), "flowing")


def test_a_visit_that_left_no_reading_breaks_the_chain():
    assert not stretches(visits((0, None, 410), (1, 408, None), (2, 406, 410))[1:], "flowing")


def ahead(rate, low=None, high=None, left=400, years=4):
    wandering = drift(stretches(visits((0, None, 410), (1.01, 410 + float(rate), left)), "flowing"))
    wandering = type(wandering)(Decimal(rate), low and Decimal(low), high and Decimal(high), (), "")
    on = (FIRST + years * YEAR).date()
    return outlook(wandering, reading(left, 0), BAND, on, FIRST)


@pytest.mark.parametrize(
    ("rate", "low", "high", "leaves"),
    [
        ("-1", "-2", "0", "not"),  # 400 − 4·1 = 396, 392 to 400
        ("-2.5", "-2.5", "-2.4", "not"),  # 390.0: the end of the band is inside
        ("-1", "-3", "0", "edge only"),  # 396, but 388 at the edge
        ("-3", "-5", "-1", "middle only"),  # 388, 380 to 396
        ("-3", "-4", "-2.6", "whole interval"),  # 388, 384 to 389.6
        ("9", "8", "10", "whole interval"),  # 436, 432 to 440: above
        ("-3", None, None, "middle only"),
    ],
)
def test_an_early_warning_says_how_much_of_the_interval_will_have_left_the_band(rate, low, high, leaves):
    told = ahead(rate, low, high)
    assert told.leaves == leaves
    assert float(told.expected) == pytest.approx(400 + 4 * float(rate), abs=0.02)
    assert f"{float(rate):.2f}".lstrip("-") in told.says


def test_once_the_day_has_passed_nothing_is_foretold():
    wandering = drift(stretches(visits((0, None, 410), (1.01, 409, 410)), "flowing"))
    assert outlook(wandering, reading(410, 1), BAND, date(2020, 3, 1), FIRST) is None
