"""Soft goods fitted while they might be: codes, rules, days.

ISO 2230:2002 and SAE ARP5316 from memory and secondary sources; codes are common practice, no published source; day
arithmetic as java.time and dateutil do it.
"""

from datetime import date

import pytest
from dateutil.relativedelta import relativedelta
from hypothesis import given
from hypothesis import strategies as st

from service.checks.clock import later
from service.checks.cure_date import Quarter, readings
from service.checks.shelf_life import Life, life_of, polymer_code
from service.checks.soft_goods_life import SOFT_GOODS_LIFE, check
from service.entries.words import Duration
from tests.checks.building import by_subject, fact, job, opened

ISO, ARP = "ISO 2230:2002", "SAE ARP5316"
TODAY = date(2026, 5, 4)


def ring(polymer="FKM", rule=ISO, quantity=1, **members):
    return {
        "part": "O-ring",
        "action": "replace",
        "quantity": quantity,
        "polymer": polymer,
        "shelf_life": rule,
        **members,
    }


def fitted(clock="09:24", *, day="2026-05-04", part="O-ring", new=True, **data):
    return fact("part.fitted", clock, {"part": part, "new": new, **data}, day=day, id=f"fitted {day} {clock}")


def removed(clock, quantity=1):
    return fact("part.removed", clock, {"part": "O-ring", "quantity": quantity})


def judged(*facts, part=None, zone="UTC"):
    parts = [{name: value for name, value in (part or ring()).items() if value is not None}]
    return by_subject(check(job(opened(), *facts, asks={"kit": {"number": "K", "parts": parts}}, zone=zone)))


def one(*facts, **more):
    return judged(*facts, **more)["O-ring"]


# --- outside values


@pytest.mark.parametrize(
    ("cured", "polymer", "rule", "good_to"),
    [
        ("3/94", "NBR", ISO, "2001-09-30"),  # ISO 2230 group B, 7 years: worked example of the trade
        ("1Q2009", "NBR", ARP, "2024-03-31"),  # ARP5316, 15 years (secondary source)
        ("1Q2017", "NBR", ISO, "2024-03-31"),  # the two rules disagree by eight years
        ("1Q2017", "NBR", ARP, "2032-03-31"),
        ("2Q2024", "FKM", ISO, "2034-06-30"),  # group C, 10 years (MEM)
        ("4Q2020", "AU", ISO, "2025-12-31"),  # group A, 5 years (MEM)
        ("4Q2020", "EU", ARP, "2025-12-31"),  # 5 years (secondary source)
        ("2Q2012", "HNBR", ARP, "2027-06-30"),  # 15 years (secondary source)
        ("2Q2012", "CR", ARP, "2027-06-30"),
        ("1Q2020", "CR", ISO, "2027-03-31"),  # group B (MEM)
        ("1Q2020", "EPDM", ISO, "2030-03-31"),  # group C (MEM)
        ("1Q2020", "VMQ", ISO, "2030-03-31"),
    ],
)
def test_the_last_day_on_which_it_may_be_fitted(cured, polymer, rule, good_to):
    last = date.fromisoformat(good_to)
    for day, verdict in ((last, "conforming"), (last + relativedelta(days=1), "nonconforming")):
        finding = one(fitted(day=day.isoformat(), cured=cured), part=ring(polymer, rule))
        assert (finding.verdict, good_to in finding.says) == (verdict, True)
        assert rule in finding.says


@pytest.mark.parametrize("polymer", ["FKM", "EPDM", "VMQ", "FFKM"])
def test_what_arp5316_lets_lie_for_ever(polymer):
    """Unlimited (secondary sources); no cure date is needed."""
    finding = one(fitted(), part=ring(polymer, ARP))
    assert finding.verdict == "conforming"
    assert "unlimited" in finding.says


@pytest.mark.parametrize(("polymer", "years", "more"), [("NR", 5, 2), ("NBR", 7, 3), ("FKM", 10, 5)])
def test_the_groups_of_iso_2230_and_what_an_inspection_adds(polymer, years, more):
    """A 5 y + 2, B 7 y + 3, C 10 y + 5 (MEM)."""
    life = life_of(polymer, ISO)
    assert isinstance(life, Life)
    assert (life.years, life.extension) == (years, more)


# Added to the anchor and clamped: java.time and dateutil agree.
@pytest.mark.parametrize(
    ("anchor", "duration", "day"),
    [
        ("2024-02-29", "P5Y", "2029-02-28"),
        ("2024-02-29", "P4Y", "2028-02-29"),
        ("2024-02-29", "P60M", "2029-02-28"),
        ("2024-02-29", "P1825D", "2029-02-27"),
        ("2024-02-29", "P1Y6M", "2025-08-29"),
        ("2024-01-31", "P1M", "2024-02-29"),
        ("2023-01-31", "P1M", "2023-02-28"),
    ],
)
def test_days_are_added_as_calendars_add_them(anchor, duration, day):
    assert later(date.fromisoformat(anchor), Duration(duration)).isoformat() == day


@given(st.dates(date(1950, 1, 1), date(2050, 12, 31)), st.integers(0, 40), st.integers(0, 30), st.integers(0, 900))
def test_any_duration_is_added_as_dateutil_adds_it(anchor, years, months, days):
    added = anchor + relativedelta(years=years, months=months) + relativedelta(days=days)
    assert later(anchor, Duration(f"P{years}Y{months}M{days}D")) == added


@given(st.integers(1990, 2026), st.integers(1, 4), st.sampled_from(["NBR", "FKM", "AU"]), st.integers(-400, 400))
def test_a_piece_is_in_its_life_until_dateutil_says_it_is_over(year, quarter, polymer, around):
    years = {"NBR": 7, "FKM": 10, "AU": 5}[polymer]
    last = date(year, 3 * quarter, 1) + relativedelta(months=1, days=-1) + relativedelta(years=years)
    day = last + relativedelta(days=around)
    finding = one(fitted(day=day.isoformat(), cured=f"{quarter}Q{year}"), part=ring(polymer))
    assert finding.verdict == ("conforming" if around <= 0 else "nonconforming")


# --- codes on the bag: common practice, no published source


@pytest.mark.parametrize(
    ("code", "quarter"),
    [
        ("2Q2024", "2Q2024"), ("2Q24", "2Q2024"), ("2q24", "2Q2024"), ("2Q 2024", "2Q2024"), ("Q2 2024", "2Q2024"),
        ("Q2/24", "2Q2024"), ("2024Q2", "2Q2024"), ("2024-Q2", "2Q2024"), ("2/24", "2Q2024"), ("3/94", "3Q1994"),
        ("1Q98", "1Q1998"), ("4Q05", "4Q2005"), ("6/24", "2Q2024"), ("11/24", "4Q2024"), ("06/2024", "2Q2024"),
        ("2024-05", "2Q2024"), ("2024-05-13", "2Q2024"), ("13/05/2024", "2Q2024"), ("05/13/2024", "2Q2024"),
        ("May 2024", "2Q2024"), ("13 May 2024", "2Q2024"), ("DEC-23", "4Q2023"), ("July 2019", "3Q2019"),
        ("2Q26", "2Q2026"), ("3Q26", "3Q1926"),  # the third quarter has not begun on 4 May 2026
    ],
)  # fmt: skip
def test_cure_dates_as_they_are_written(code, quarter):
    assert [str(one) for one in readings(code, TODAY)] == [quarter]


@pytest.mark.parametrize(
    ("code", "earlier", "later_one"),
    [
        ("03/04/2024", "1Q2024", "2Q2024"),  # 4 March, or 3 April
        ("2/2024", "1Q2024", "2Q2024"),  # February, or the second quarter
        ("02/24", "1Q2024", "2Q2024"),
        ("04/2024", "2Q2024", "4Q2024"),
        ("10/04/24", "2Q2024", "4Q2024"),
    ],
)
def test_a_code_with_two_meanings_is_read_as_the_earlier(code, earlier, later_one):
    assert [str(one) for one in readings(code, TODAY)] == [earlier, later_one]
    finding = one(fitted(cured=code))
    assert f"cured {code} ({earlier}, or {later_one}: read as the earlier)" in finding.says


@pytest.mark.parametrize(
    "code", ["", "fresh", "5Q2024", "0/24", "13/24", "2024-13", "99/99/2024", "Foo 2024", "1Q1899"]
)
def test_what_is_no_cure_date_is_not_guessed(code):
    assert readings(code, TODAY) == ()


@given(st.integers(1950, 2026), st.integers(1, 4))
def test_a_quarter_is_read_back_whatever_way_it_is_written(year, number):
    quarter = Quarter(year, number)
    ways = (
        f"{number}Q{year}",
        f"Q{number} {year}",
        f"{year}Q{number}",
        quarter.first.isoformat(),
        quarter.last.isoformat(),
    )
    assert {readings(way, date(2027, 1, 1)) for way in ways} == {(quarter,)}
    assert (quarter.first.month, (quarter.last + relativedelta(days=1)).day) == (3 * number - 2, 1)


@pytest.mark.parametrize(
    ("written", "code"),
    [
        ("FKM", "FKM"),
        ("fkm 75", "FKM"),
        ("FPM", "FKM"),
        ("fluorocarbon", "FKM"),
        ("Nitrile", "NBR"),
        ("EPDM 70 Shore", "EPDM"),
    ],
)
def test_polymers_by_the_names_people_write(written, code):
    assert polymer_code(written) == code


# --- verdicts


def test_the_finding_shows_the_whole_arithmetic():
    finding = one(fitted(cured="2Q24", lot="L2611"))
    assert finding.says == (
        "1 of lot L2611 new fitted 2026-05-04, cured 2Q24 (2Q2024); ISO 2230:2002, group C (FKM): "
        "2024-06-30 + P10Y = 2034-06-30: in its life."
    )
    assert finding.entries == ("fitted 2026-05-04 09:24",)


def test_past_its_life_it_says_what_an_inspection_could_add():
    finding = one(fitted(cured="1Q2019"), part=ring("NBR"))
    assert finding.verdict == "nonconforming"
    assert "2019-03-31 + P7Y = 2026-03-31: 34 days past its life" in finding.says
    assert "3 years more after inspection, to 2029-03-31" in finding.advice


def test_far_past_its_life_no_inspection_helps():
    assert "inspection" not in one(fitted(cured="1Q2010"), part=ring("NBR")).advice


@pytest.mark.parametrize(
    ("data", "part", "words"),
    [
        ({}, ring(), "no cure date is recorded"),
        ({"cured": "last spring"}, ring(), "cannot be read"),
        ({"cured": "2Q2027"}, ring(), "which is later"),
        ({"cured": "2Q2024"}, ring(polymer=None), "of which polymer is not told"),
        ({"cured": "2Q2024"}, ring(polymer="unobtainium"), "has no group for unobtainium"),
        ({"cured": "2Q2024"}, ring(polymer="NR", rule=ARP), "has no life for NR"),
        ({"cured": "2Q2024"}, ring(rule="house rule 7"), "the rule house rule 7 is not known here"),
        ({"cured": "2Q2024"}, ring(rule="ISO 2230:1973"), "the lives of ISO 2230:1973 are not known here"),
    ],
)
def test_what_cannot_be_told_is_inconclusive(data, part, words):
    finding = one(fitted(**data), part=part)
    assert finding.verdict == "inconclusive"
    assert words in finding.says
    assert finding.advice


def test_the_polymer_of_the_entry_comes_before_that_of_the_procedure_and_must_be_the_same():
    assert one(fitted(cured="2Q2024", polymer="FPM 80")).verdict == "conforming"
    finding = one(fitted(cured="2Q2024", polymer="NBR"))
    assert finding.verdict == "nonconforming"
    assert "it is NBR, where the procedure wants FKM" in finding.says


def test_rule_and_edition_are_named_even_where_the_procedure_leaves_the_edition_open():
    assert "ISO 2230:2002 (edition not named)" in one(fitted(cured="2Q2024"), part=ring(rule="ISO 2230")).says
    assert "SAE ARP5316 (revision D)" in one(fitted(), part=ring(rule="ARP5316D")).says


def test_of_several_pieces_the_worst_decides():
    old, fresh = fitted(cured="1Q2010"), fitted("09:30", cured="2Q2024")
    assert one(old, fresh, part=ring(quantity=2)).verdict == "nonconforming"
    assert one(old, removed("09:25"), removed("09:26"), fresh).verdict == "conforming"  # its old one, then this one


def test_when_one_of_two_comes_out_again_nobody_knows_which_and_both_count():
    facts = [removed("09:00", 2), fitted(quantity=2, cured="1Q2010"), removed("09:40"), fitted("09:45", cured="2Q2024")]
    assert one(*facts, part=ring(quantity=2)).verdict == "nonconforming"


def test_a_substitute_is_judged_like_the_part():
    part = ring(substitutes=["O-ring, blue"])
    assert one(fitted(part="O-ring, blue", cured="1Q2010"), part=part).verdict == "nonconforming"


def test_nothing_new_fitted_and_nothing_asked():
    assert one().verdict == "not_applicable"
    assert one(fitted(new=False)).verdict == "not_applicable"
    assert judged(part=ring(rule=None))["soft_goods_life"].verdict == "not_applicable"


def test_the_day_is_that_of_the_hospitals_clock():
    """23:30 UTC on 31 March is already April in Auckland."""
    late = fitted("23:30", day="2024-03-31", cured="1Q2017")
    assert one(late, part=ring("NBR")).verdict == "conforming"
    assert one(late, part=ring("NBR"), zone="Pacific/Auckland").verdict == "nonconforming"


def test_the_sources_are_named():
    assert "ISO 2230:2002 and SAE ARP5316 (from memory" in SOFT_GOODS_LIFE.source
