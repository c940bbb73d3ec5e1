"""The other bank carries the wards for as long as the work will take. Common practice, no published source."""

import pytest

from service.checks.endurance import ENDURANCE, check
from tests.checks.building import by_subject, fact, job, opened
from tests.checks.job_for_order import q

COMPANION = {
    "cylinders": 10,
    "water_volume": q("50 L"),
    "pressure": q("137 bar"),
    "temperature": q("20 Cel"),
    "reserve_pressure": q("14 bar"),
    "gas": "oxygen",
}


def isolated(clock="08:40:00", demand="100 L/min", **changes):
    """The bank goes out; None takes a member of its companion away."""
    companion = {name: value for name, value in {**COMPANION, **changes}.items() if value is not None}
    data = {"companion": companion, **({"demand": q(demand)} if demand else {})}
    return fact("bank.isolated", clock, data)


def judged(*facts, margin="1.5", lasting="PT3H", gas="oxygen", asks=True):
    opening = opened(**({"expected_duration": lasting} if lasting else {}))
    asked = {"endurance": {"margin": margin}} if asks else {}
    (finding,) = by_subject(check(job(opening, *facts, asks=asked, register={"gas": gas}))).values()
    return finding


def test_ten_cylinders_of_oxygen_carry_100_litres_a_minute_for_10_67_hours():
    """64 000 L, 10.67 h: RUN CoolProp 8.0.0."""
    finding = judged(isolated())
    assert finding.verdict == "conforming"
    assert float(finding.measured["value"]) == pytest.approx(64_000, rel=3e-3)
    assert finding.required["low"]["value"] == "27000"
    assert finding.says.startswith("10 × 50 L of oxygen at 137 bar and 20 Cel, down to 14 bar: 86.68 kg usable, ")
    assert "10.7 h of carry; wanted 100 L/min × 3 h × 1.5 = 27000 L." in finding.says
    assert "free gas (15 °C, 101.325 kPa)" in finding.says
    assert finding.entries == ("bank.isolated 08:40:00", "rebuild.opened 08:30")


# 63 999.7 L at 100 L/min are 639.997 min: with a margin of 2, five hours and nineteen minutes of work, not twenty.
@pytest.mark.parametrize(("lasting", "verdict"), [("PT5H19M", "conforming"), ("PT5H20M", "nonconforming")])
def test_the_last_minute_that_it_lasts(lasting, verdict):
    assert judged(isolated(), margin="2", lasting=lasting).verdict == verdict


def test_a_bank_that_does_not_last_says_by_how_much_it_falls_short():
    finding = judged(isolated(pressure=q("40 bar")))
    assert finding.verdict == "nonconforming"
    assert " L short." in finding.says
    assert "fuller cylinders" in finding.advice


def test_a_bank_below_its_reserve_carries_nothing():
    finding = judged(isolated(pressure=q("10 bar")))
    assert (finding.verdict, finding.measured["value"]) == ("nonconforming", "0")


@pytest.mark.parametrize("gas", ["nitrous_oxide", "carbon_dioxide"])
def test_the_content_of_liquefied_gas_is_not_told_from_its_pressure(gas):
    finding = judged(isolated(gas=gas))
    assert finding.verdict == "inconclusive"
    assert "liquefied" in finding.says
    assert "Weigh" in finding.advice


def test_the_gas_is_the_registers_where_the_entry_names_none():
    assert "liquefied" in judged(isolated(gas=None), gas="nitrous_oxide").says
    assert "of medical air" in judged(isolated(gas=None), gas="medical_air").says


@pytest.mark.parametrize(
    ("missing", "words"),
    [
        ("cylinders", "the number of cylinders"),
        ("water_volume", "their water volume"),
        ("pressure", "their pressure"),
        ("temperature", "their temperature"),
        ("reserve_pressure", "the reserve pressure"),
    ],
)
def test_what_is_missing_is_named(missing, words):
    finding = judged(isolated(**{missing: None}))
    assert finding.verdict == "inconclusive"
    assert finding.says.endswith(f"{words}.")


def test_without_demand_or_expected_duration_nothing_can_be_said():
    assert "the demand" in judged(isolated(demand=None)).says
    assert "the expected duration" in judged(isolated(), lasting=None).says


def test_nothing_recorded_is_inconclusive_and_not_asked_not_applicable():
    assert judged().says == "No bank.isolated is recorded."
    assert judged(isolated(), asks=False).verdict == "not_applicable"
    assert "the number of cylinders" in judged(fact("bank.isolated", "08:40:00")).says


def test_of_two_isolations_the_one_that_fares_worse_is_told():
    finding = judged(isolated(), isolated("13:00:00", pressure=q("40 bar")))
    assert (finding.verdict, finding.entries[0]) == ("nonconforming", "bank.isolated 13:00:00")
    again_without_words = fact("bank.isolated", "13:00:00")
    assert judged(isolated(), again_without_words).verdict == "conforming"


def test_a_pressure_in_absolute_is_taken_as_such():
    gauge, absolute = isolated(), isolated(pressure=q("138.01325 bar absolute"))
    assert judged(gauge).measured == judged(absolute).measured


def test_no_demand_is_carried_for_ever():
    finding = judged(isolated(demand="0 L/min"))
    assert finding.verdict == "conforming"
    assert "of carry" not in finding.says


def test_cold_cylinders_hold_more_at_the_same_pressure():
    cold, warm = (float(judged(isolated(temperature=q(at))).measured["value"]) for at in ("0 Cel", "40 Cel"))
    assert cold > 1.1 * warm


def test_a_temperature_at_which_it_would_be_liquid_is_a_slip():
    assert "may be liquid" in judged(isolated(temperature=q("100 K"))).says


def test_the_sources_are_named():
    assert "CoolProp" in ENDURANCE.source
    assert ENDURANCE.reads == {"bank.isolated", "rebuild.opened"}
