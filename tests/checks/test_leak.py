"""Each section tight: pressure decay with temperature, uncertainty of both instruments, and bubbles.

Outside values and their sources stand beside them. RUN: worked out apart from this service, with scipy or numpy.
"""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import constants

from service.checks.gas import Unknown
from service.checks.leak import LEAK, check, decay_rate
from service.checks.shut_section import Read, drift
from service.entries.quantity import LeakRate, Pressure, Temperature
from tests.checks.building import job, opened
from tests.checks.job_for_order import q
from tests.checks.shut import BOTH, FINE, LIMIT, bubbles, decay, judged, with_resolutions


def leak(*facts, limit=LIMIT, sections=("outlet",), **more):
    return judged(check, *facts, asks={"leak_test": {"sections": list(sections), "limit": q(limit)}}, **more)


def outlet(*facts, **more):
    return leak(*facts, **more)["outlet"]


def rate(test, instruments=BOTH):
    worked = decay_rate(job(opened(), instruments=instruments), test)
    assert not isinstance(worked, Unknown), worked
    return worked


def q_of(test, instruments=FINE):
    return float(rate(test, instruments).q)


TWO_LITRES = {"volume": q("2 L"), "atmosphere": q("101.325 kPa absolute")}


# --- outside values


def test_a_section_that_cooled_leaked_a_third_of_what_its_gauge_says():
    """V 2 L, 400 kPa gauge at 20 °C; an hour later 496.000 kPa absolute at 18 °C. RUN."""
    test = decay("400 kPa at 20 Cel", "496.000 kPa absolute at 18 Cel", 3600, **TWO_LITRES)
    assert q_of(test) == pytest.approx(1.065456e-3, rel=1e-6)
    assert "= 497.905 kPa" in rate(test).words  # the pressure without a leak
    assert q_of(test) != pytest.approx(2.9583e-3, rel=0.5)  # without the temperature: wrong


def test_the_thermometer_counts_more_than_the_gauge():
    """1.8 L, 712.0 → 711.6 kPa in 30 min at 20.0 °C, resolutions 0.1 kPa and 0.1 °C: (4.0 ± 2.4)e-4, k 2. RUN."""
    worked = rate(decay("712.0 kPa at 20.0 Cel", "711.6 kPa at 20.0 Cel"))
    assert float(worked.q) == pytest.approx(4.0e-4, rel=1e-9)
    assert float(worked.expanded) == pytest.approx(2.4e-4, abs=0.05e-4)
    gauge_alone = rate(
        decay("712.0 kPa at 20.0 Cel", "711.6 kPa at 20.0 Cel"), with_resolutions("0.1 kPa", "0.000001 K")
    )
    assert gauge_alone.expanded < worked.expanded / 2


def test_two_kelvin_more_and_no_leak():
    """400 → 403.420 kPa gauge for +2 K (20 → 22 °C), Q = 0. RUN."""
    test = decay("400 kPa at 20 Cel", "403.420 kPa at 22 Cel", 3600, **TWO_LITRES)
    assert q_of(test) == pytest.approx(0, abs=1e-6)
    assert outlet(test).verdict == "conforming"


def test_a_night_ten_degrees_colder_is_not_a_leak():
    """66 psi at 70 °F → 64.4765 psi at 60 °F, atmosphere 14.6959 psi: the gas laws alone."""
    test = decay("66 psi at 70 [degF]", "64.4765 psi at 60 [degF]", 3600, volume=q("2 L"),
                 atmosphere=q("14.6959 psi absolute"))  # fmt: skip
    assert q_of(test) == pytest.approx(0, abs=2e-6)


def test_the_worked_example_of_a_vacuum_decay_in_40_cfr_1065_644():
    """V 0.002 m³, 25 300 → 50 600 Pa absolute, 293.15 K, 70 s: 2.9657e-4 mol/s into the section."""
    test = decay("25300 Pa absolute at 293.15 K", "50600 Pa absolute at 293.15 K", 70, volume=q("0.002 m3"))
    assert -q_of(test) / (constants.R * 293.15) == pytest.approx(2.9657e-4, rel=1e-4)


@pytest.mark.parametrize(
    ("written", "pascal_cubic_metres_a_second"),
    [
        ("1 mbar.L/s", 0.1),  # by definition
        ("59.2154 sccm", 0.1),  # 0 °C, 1 atm; worked out from the definitions
        ("1 sccm", 101_325 * 1e-6 / 60),  # by definition
        ("1 Pa.L/s", 1e-3),  # by definition
    ],
)
def test_leak_rates_in_the_units_they_are_written_in(written, pascal_cubic_metres_a_second):
    assert float(LeakRate(**q(written)).si) == pytest.approx(pascal_cubic_metres_a_second, rel=2e-6)


def test_a_kelvin_is_2_7_kilopascals_at_800():
    """u_p = (p/T)·u(ΔT), 2.7 kPa for each kelvin at 800 kPa absolute. RUN."""
    kelvin = decay("800 kPa absolute at 293 K", "800 kPa absolute at 294 K", 3600)
    assert q_of(kelvin) * 3600 / 1.8e-3 / 1000 == pytest.approx(2.72, abs=0.01)


@given(
    st.floats(50, 1000), st.floats(50, 1000), st.floats(260, 320), st.floats(260, 320), st.floats(0.1, 50),
    st.integers(60, 100_000),
)  # fmt: skip
def test_the_rate_is_the_moles_that_went_missing(p1, p2, t1, t2, litres, seconds):
    """n = p·V/(R·T) before and after, with scipy's constants; Q = R·T_ref·Δn/Δt at 20 °C."""
    p1, p2, t1, t2, litres = (round(value, 3) for value in (p1, p2, t1, t2, litres))
    test = decay(f"{p1} kPa at {t1} K", f"{p2} kPa at {t2} K", seconds, volume=q(f"{litres} L"))
    moles = [(p * 1000 + 101_300) * litres / 1000 / (constants.R * t) for p, t in ((p1, t1), (p2, t2))]
    expected = constants.R * (constants.zero_Celsius + 20) * (moles[0] - moles[1]) / seconds
    scale = 101_300 * litres / 1000 / seconds
    assert q_of(test) == pytest.approx(expected, rel=1e-9, abs=1e-10 * scale)


@pytest.mark.parametrize(
    ("pressure", "temperature", "start", "end"),
    [("0.1 kPa", "0.1 K", 712.0, 711.6), ("5 kPa", "0.1 K", 700.0, 650.0), ("0.1 kPa", "1 K", 400.0, 395.0)],
)
def test_the_uncertainty_is_the_scatter_of_what_the_last_digits_hide(pressure, temperature, start, end):
    """Two hundred thousand draws of numpy: each reading anywhere within half a step."""
    import numpy as np

    draw, n = np.random.default_rng(20260504), 200_000
    step_p, step_t = float(pressure.split()[0]), float(temperature.split()[0])
    p1, p2 = (value + 101.3 + step_p * draw.uniform(-0.5, 0.5, n) for value in (start, end))
    t1, t2 = (value + step_t * draw.uniform(-0.5, 0.5, n) for value in (293.15, 294.15))
    scatter = np.std(1.8e-3 * 293.15 * 1000 * (p1 / t1 - p2 / t2) / 1800)
    test = decay(f"{start} kPa at 293.15 K", f"{end} kPa at 294.15 K")
    assert float(rate(test, with_resolutions(pressure, temperature)).expanded) == pytest.approx(2 * scatter, rel=0.01)


def test_an_atmosphere_nobody_read_only_blurs_the_correction_for_temperature():
    read, unread = (
        decay("712.0 kPa at 20.0 Cel", "711.6 kPa at 20.0 Cel", atmosphere=atmosphere)
        for atmosphere in (q("101.3 kPa absolute"), None)
    )
    assert rate(unread).expanded == pytest.approx(rate(read).expanded, rel=Decimal("1e-4"))  # equal temperatures
    cooled = decay("712.0 kPa at 20.0 Cel", "700.0 kPa at 16.0 Cel", atmosphere=None)
    assert rate(cooled).expanded > Decimal("1.5") * rate(read).expanded
    assert "the atmosphere taken as 101.325 kPa" in outlet(cooled).says


def test_what_one_gauge_does_to_both_readings_cancels():
    """A gauge 1 % of span high reads 10 kPa high twice: the same leak."""
    true, high = (decay(f"{712 + off} kPa at 20.0 Cel", f"{700 + off} kPa at 20.0 Cel") for off in (0, 10))
    assert q_of(high) == pytest.approx(q_of(true), rel=1e-12)


# --- verdicts


def test_the_finding_shows_the_whole_arithmetic():
    finding = outlet(decay("712.0 kPa at 20.0 Cel", "711.6 kPa at 20.0 Cel"))
    assert (finding.verdict, finding.entries) == ("conforming", ("decay outlet 10:20:00",))
    assert finding.says == (
        "712.0 kPa at 20.0 Cel, 30 min later 711.6 kPa at 20.0 Cel: 813.300 kPa absolute at 293.15 K, then 812.900 kPa at "
        "293.15 K; without a leak 813.300 × 293.15 / 293.15 = 813.300 kPa; Q = 1.8 L × 293.15 K × (p1/T1 − p2/T2) / 1800 s "
        "= 0.000400, U 0.00024 Pa.m3/s (k = 2) at 20 °C; limit 0.005 Pa.m3/s: Q + U is within it."
    )
    assert finding.measured["value"] == "0.000400"
    assert finding.required["limit"]["value"] == "0.005"


def test_a_leak_beyond_its_limit_is_nonconforming():
    finding = outlet(decay("712.0 kPa at 20.0 Cel", "700.0 kPa at 20.0 Cel"))
    assert finding.verdict == "nonconforming"
    assert "it leaks more" in finding.says
    assert finding.advice.startswith("Find the leak")


# 1.8 L × 5 kPa / 1800 s is 0.005 Pa·m³/s to the last digit.
@pytest.mark.parametrize(
    ("end", "verdict"),
    [("707.0001", "conforming"), ("707.0", "inconclusive"), ("706.9999", "nonconforming")],
)
def test_the_limit_itself_with_instruments_fine_enough(end, verdict):
    assert outlet(decay("712.0 kPa at 293.15 K", f"{end} kPa at 293.15 K"), instruments=FINE).verdict == verdict


def test_at_q_plus_u_equal_to_the_limit_it_conforms():
    test = decay("712.0 kPa at 293.15 K", "711.6 kPa at 293.15 K")
    worked = rate(test)
    for limit, verdict in (
        (worked.q + worked.expanded + Decimal("1e-15"), "conforming"),  # more digits than that cannot be written
        (worked.q + worked.expanded - Decimal("1e-9"), "inconclusive"),
    ):
        assert outlet(test, limit=f"{limit:.15f} Pa.m3/s").verdict == verdict


def test_a_rise_in_temperature_that_hides_a_leak_is_found():
    """The gauge stands still for 30 min while it gets 3 K warmer: 8.3 kPa are missing."""
    finding = outlet(decay("712.0 kPa at 20.0 Cel", "712.0 kPa at 23.0 Cel"))
    assert finding.verdict == "nonconforming"
    assert "The temperature rose by 3.0 K and hid the leak from the gauge" in finding.says


def test_a_fall_in_temperature_that_looks_like_a_leak_is_none():
    finding = outlet(decay("712.0 kPa at 23.0 Cel", "703.8 kPa at 20.0 Cel"))
    assert finding.verdict == "conforming"
    assert "hid" not in finding.says


def test_a_pressure_that_rose_means_something_feeds_the_section():
    finding = outlet(decay("712.0 kPa at 20.0 Cel", "713.0 kPa at 20.0 Cel"))
    assert finding.verdict == "inconclusive"
    assert "something feeds it" in finding.says
    assert "shut it off" in finding.advice


def test_a_rise_within_the_uncertainty_feeds_nothing():
    assert outlet(decay("712.0 kPa at 20.0 Cel", "712.1 kPa at 20.0 Cel")).verdict == "conforming"


def test_a_test_that_could_not_have_seen_the_limit_says_how_long_would_do():
    coarse = with_resolutions("5 kPa", "0.1 Cel")
    finding = outlet(decay("710 kPa at 20.0 Cel", "710 kPa at 20.0 Cel", 600), instruments=coarse)
    assert finding.verdict == "inconclusive"
    assert "the test could not have seen it" in finding.says
    assert finding.advice == "Repeat it for 25 min or longer, or with a finer gauge and thermometer."
    long_enough = decay("710 kPa at 20.0 Cel", "710 kPa at 20.0 Cel", 25 * 60)
    assert outlet(long_enough, instruments=coarse).verdict == "conforming"


@given(st.integers(0, 40), st.integers(60, 3600), st.sampled_from(["0.1 kPa", "1 kPa", "5 kPa"]))
def test_the_duration_advised_settles_it_if_the_leak_stays_as_it_is(hundredths, seconds, resolution):
    """The same leak for as long as advised, on the same instruments, is not inconclusive any more."""
    instruments = with_resolutions(resolution, "0.1 Cel")
    per_second = Decimal(hundredths) / 100 * Decimal("0.005") / Decimal("1.8")

    def after(lasting):
        return decay("700 kPa at 293.15 K", f"{round(700 - per_second * lasting, 9)} kPa at 293.15 K", lasting)

    finding = outlet(after(seconds), instruments=instruments)
    if finding.verdict == "inconclusive":
        words = finding.advice.removeprefix("Repeat it for ").split(" or longer")[0].split()
        units = {"d": 86_400, "h": 3600, "min": 60, "s": 1}
        advised = sum(int(number) * units[unit] for number, unit in zip(words[::2], words[1::2], strict=True))
        assert outlet(after(advised), instruments=instruments).verdict == "conforming"


@pytest.mark.parametrize(
    ("members", "words"),
    [
        ({"fed_by": ["bypass"]}, "bypass fed the section"),
        ({"fed_by": None, "closed": None}, "not told that nothing fed the section"),
        ({"volume": None}, "the volume of the section is not known"),
        ({"volume": q("0 L")}, "the volume of the section is not known"),
        ({"instrument": None}, "resolution of the gauge, which is not named, is not known"),
        ({"instrument": "PG-77"}, "resolution of the gauge PG-77 is not known"),
        ({"thermometer": None}, "resolution of the thermometer, which is not named, is not known"),
        ({"atmosphere": q("0 kPa absolute")}, "an atmosphere of 0 kPa absolute cannot be"),
    ],
)
def test_what_a_decay_cannot_do_without(members, words):
    finding = outlet(decay("712.0 kPa at 20.0 Cel", "711.6 kPa at 20.0 Cel", **members))
    assert finding.verdict == "inconclusive"
    assert words in finding.says
    assert finding.advice


def test_valves_shut_and_nothing_said_of_a_feed_will_do():
    assert outlet(decay("712.0 kPa at 20.0 Cel", "711.6 kPa at 20.0 Cel", fed_by=None)).verdict == "conforming"


def test_a_reading_without_temperature_settles_nothing():
    finding = outlet(decay("712.0 kPa at 20.0 Cel", "711.6 kPa"))
    assert finding.verdict == "inconclusive"
    assert "a temperature beside each reading" in finding.advice


def test_one_reading_is_no_decay():
    assert "only one reading" in outlet(decay("712.0 kPa at 20.0 Cel", "711.6 kPa at 20.0 Cel", 0)).says


def test_gauge_and_absolute_readings_meet_in_absolute():
    mixed = decay("712.0 kPa at 20.0 Cel", "812.9 kPa absolute at 20.0 Cel")
    assert q_of(mixed) == pytest.approx(4.0e-4, rel=1e-9)


def test_a_drift_near_absolute_zero_is_no_reading():
    nothing = Read(Pressure(**q("0 kPa absolute")), Temperature(**q("293 K")))
    worked = drift(job(opened(), instruments=BOTH), nothing, nothing, None, ("PG-9", "TH-3"))
    assert isinstance(worked, Unknown)


# --- units


def test_the_rate_is_told_in_the_unit_of_the_procedure():
    finding = outlet(decay("712.0 kPa at 20.0 Cel", "711.6 kPa at 20.0 Cel"), limit="0.05 mbar.L/s")
    assert (finding.measured["value"], finding.measured["unit"]) == ("0.00400", "mbar.L/s")
    assert finding.measured["si"] == {"value": "0.000400", "unit": "Pa.m3/s"}
    assert "limit 0.05 mbar.L/s (0.0050 Pa.m3/s)" in finding.says or "limit 0.05 mbar.L/s (0.00500" in finding.says


def test_a_limit_in_sccm_keeps_its_reference_of_zero_degrees():
    """0.4 kPa out of 1.8 L at 20 °C is 0.236842 sccm × 273.15/293.15 in 30 min: sccm are counted at 0 °C."""
    finding = outlet(decay("712.0 kPa at 20.0 Cel", "711.6 kPa at 20.0 Cel"), limit="3 sccm")
    moles = 400 * 1.8e-3 / (constants.R * 293.15) / 30  # a minute
    expected = moles * constants.R * constants.zero_Celsius / constants.atm * 1e6
    assert float(finding.measured["value"]) == pytest.approx(expected, rel=3e-3)
    assert "at 0 °C" in finding.says


# --- sections and several tests


def test_each_section_asked_for_wants_its_test():
    found = leak(decay("712.0 kPa at 20.0 Cel", "711.6 kPa at 20.0 Cel"), sections=("outlet", "header"))
    assert {name: finding.verdict for name, finding in found.items()} == {
        "outlet": "conforming",
        "header": "inconclusive",
    }
    assert found["header"].says == "No leak test is recorded."


def test_a_procedure_that_asks_for_none_gets_none():
    (finding,) = judged(check, decay("712 kPa at 20 Cel", "600 kPa at 20 Cel"), asks={}).values()
    assert (finding.subject, finding.verdict) == ("leak", "not_applicable")


def test_a_leak_found_where_nobody_asked_is_a_leak_all_the_same():
    tight, leaking = decay("712.0 kPa at 20.0 Cel", "711.6 kPa at 20.0 Cel"), bubbles("bubbles", section="gauge port")
    assert leak(tight, leaking)["gauge port"].verdict == "nonconforming"
    assert set(leak(tight, bubbles(section="gauge port"))) == {"outlet"}


def test_the_last_decay_decides():
    bad = decay("712.0 kPa at 20.0 Cel", "700.0 kPa at 20.0 Cel")
    good = decay("712.0 kPa at 20.0 Cel", "711.6 kPa at 20.0 Cel", begun="11:20:00")
    assert outlet(bad, good).verdict == "conforming"


# --- bubbles: common practice, no published source


def test_no_bubbles_where_the_limit_would_have_blown_some():
    """0.005 Pa·m³/s for 2 min is 0.6 Pa·m³, 5.9 mL at one atmosphere."""
    finding = outlet(bubbles())
    assert finding.verdict == "conforming"
    assert "would have blown 5.9 mL" in finding.says


def test_no_bubbles_say_nothing_of_a_limit_that_blows_none():
    finding = outlet(bubbles(), limit="0.00001 Pa.m3/s")
    assert (finding.verdict, finding.advice) == ("inconclusive", "Watch longer, or measure the leak by pressure decay.")


# 0.1 mL is 0.0101325 Pa·m³: with a limit of 0.0001 Pa·m³/s after 101.325 s.
@pytest.mark.parametrize(("watched", "verdict"), [("PT101S", "inconclusive"), ("PT102S", "conforming")])
def test_the_smallest_bubble_that_is_seen(watched, verdict):
    assert outlet(bubbles(watched=watched), limit="0.0001 Pa.m3/s").verdict == verdict


@pytest.mark.parametrize("missing", [{"watched": None}, {"pressure": None}, {"pressure": "0 kPa"}])
def test_bubbles_looked_for_without_pressure_or_time_settle_nothing(missing):
    assert outlet(bubbles(**missing)).verdict == "inconclusive"


def test_bubbles_refute_a_decay_and_none_does_not_refute_a_leak():
    tight = decay("712.0 kPa at 20.0 Cel", "711.6 kPa at 20.0 Cel")
    leaking = decay("712.0 kPa at 20.0 Cel", "700.0 kPa at 20.0 Cel")
    unsure = decay("712.0 kPa at 20.0 Cel", "711.6 kPa")
    assert outlet(tight, bubbles("bubbles")).verdict == "nonconforming"
    assert outlet(tight, bubbles()).verdict == "conforming"
    assert outlet(leaking, bubbles()).verdict == "nonconforming"
    assert outlet(unsure, bubbles()).verdict == "conforming"
    assert outlet(bubbles("bubbles", "10:00:00"), tight).verdict == "conforming"


def test_the_source_is_named_and_what_is_from_memory_says_so():
    assert "ASTM E2930-13(2021) (from memory; confirm against the document)" in LEAK.source
    assert LEAK.reads == {"leak.tested", "rebuild.opened"}
