"""The right lubricant, in date, on the parts that need it. ASTM G63 from memory; common practice, no published source."""

import pytest

from service.checks.lubricant import LUBRICANT, check
from tests.checks.building import by_subject, fact, job, opened

GREASE = "PFPE grease, oxygen grade"
ASKED = {"named": [GREASE, "PFPE oil"], "on": ["body O-ring", "dome O-ring"]}
KIT = {
    "number": "K",
    "parts": [
        {"part": "body O-ring", "action": "replace", "substitutes": ["body O-ring, blue"]},
        {"part": "dome O-ring", "action": "replace"},
    ],
}


def applied(lubricant=GREASE, *on, clock="09:25", expires="2028-01-31", day="2026-05-04"):
    data = {"lubricant": lubricant, "lot": "G-301", "on": list(on), **({"expires": expires} if expires else {})}
    return fact("lubricant.applied", clock, data, day=day, id=f"{clock} {lubricant}")


def judged(*facts, gas="surgical_air", asked=ASKED, **more):
    asks = {"kit": KIT, **({"lubricant": {**asked, **more}} if asked else {})}
    return by_subject(check(job(opened(), *facts, asks=asks, register={"gas": gas})))


def verdicts(*facts, **more):
    return {name: finding.verdict for name, finding in judged(*facts, **more).items()}


BOTH = ("body O-ring", "dome O-ring")


def test_one_that_is_named_in_date_on_every_part_conforms():
    found = judged(applied(GREASE, *BOTH))
    assert {finding.verdict for finding in found.values()} == {"conforming"}
    assert found["dome O-ring"].says == (
        "PFPE grease, oxygen grade, lot G-301, applied 2026-05-04: named by the procedure, in date to 2028-01-31."
    )


def test_a_part_without_any_is_inconclusive():
    assert verdicts(applied(GREASE, "body O-ring")) == {"body O-ring": "conforming", "dome O-ring": "inconclusive"}
    assert judged()["dome O-ring"].says == "No lubricant is recorded on it."


def test_one_that_is_not_named_is_nonconforming():
    finding = judged(applied("petroleum jelly", *BOTH))["body O-ring"]
    assert finding.verdict == "nonconforming"
    assert f"the procedure names {GREASE} or PFPE oil" in finding.says


def test_capitals_do_not_make_another_lubricant():
    assert set(verdicts(applied(GREASE.upper(), *BOTH)).values()) == {"conforming"}


@pytest.mark.parametrize(
    ("expires", "verdict"),
    [
        ("2026-05-05", "conforming"),
        ("2026-05-04", "conforming"),
        ("2026-05-03", "nonconforming"),
        (None, "inconclusive"),
    ],
)
def test_the_day_it_expires_is_the_last(expires, verdict):
    assert set(verdicts(applied(GREASE, *BOTH, expires=expires)).values()) == {verdict}


def test_one_put_on_nobody_knows_where():
    finding = judged(applied(GREASE))["body O-ring"]
    assert finding.verdict == "inconclusive"
    assert "on which parts is not told" in finding.says


def test_of_two_on_one_part_the_worse_decides():
    both = [applied(GREASE, *BOTH), applied("petroleum jelly", "dome O-ring", clock="09:30")]
    assert verdicts(*both) == {"body O-ring": "conforming", "dome O-ring": "nonconforming"}


def test_a_wrong_one_where_none_was_asked_for_is_told_and_a_right_one_is_not():
    on_thread = applied("petroleum jelly", "stem thread", clock="09:30")
    assert verdicts(applied(GREASE, *BOTH), on_thread)["stem thread"] == "nonconforming"
    assert set(verdicts(applied(GREASE, *BOTH), applied(GREASE, "stem thread", clock="09:30"))) == set(BOTH)
    twice = [on_thread, applied("tallow", "stem thread", clock="09:31")]
    assert set(verdicts(*twice)) == {*BOTH, "stem thread"}


def test_a_substitute_counts_as_the_part():
    assert verdicts(applied(GREASE, "body O-ring, blue", "dome O-ring")) == dict.fromkeys(BOTH, "conforming")


def test_a_procedure_without_a_list_of_parts_wants_one_that_is_named():
    asked = {"named": [GREASE]}
    assert verdicts(applied(GREASE, "any part"), asked=asked) == {"lubricant": "conforming"}
    assert verdicts(asked=asked) == {"lubricant": "inconclusive"}
    assert verdicts(applied("tallow"), asked=asked) == {"lubricant": "nonconforming"}


def test_a_procedure_without_lubricant_asks_for_none():
    assert verdicts(applied("tallow"), asked=None) == {"lubricant": "not_applicable"}


# Oxygen and nitrous oxide ignite oil and grease (ASTM G63, from memory).
@pytest.mark.parametrize(
    ("gas", "named", "compatible", "verdict"),
    [
        ("medical_air", "mineral grease", None, "conforming"),
        ("oxygen", "mineral grease", None, "inconclusive"),
        ("oxygen", "mineral grease", False, "nonconforming"),
        ("oxygen", "grease 7", True, "conforming"),
        ("oxygen", "PFPE grease", None, "conforming"),
        ("oxygen", "Perfluorinated grease", None, "conforming"),
        ("oxygen", "grease for oxygen service", None, "conforming"),
        ("nitrous_oxide", "mineral grease", None, "inconclusive"),
        ("nitrous_oxide_oxygen", "mineral grease", False, "nonconforming"),
        ("oxygen", "PFPE grease", False, "nonconforming"),  # the procedure knows better than the name
        ("medical_air", "mineral grease", False, "conforming"),
    ],
)
def test_fit_for_oxygen_where_the_gas_demands_it(gas, named, compatible, verdict):
    asked = {"named": [named], "on": ["dome O-ring"], "oxygen_compatible": compatible}
    finding = judged(applied(named, "dome O-ring"), gas=gas, asked=asked)["dome O-ring"]
    assert finding.verdict == verdict
    assert ("oxygen" in finding.says) == (gas != "medical_air")


def test_the_source_is_named():
    assert "ASTM G63 (from memory" in LUBRICANT.source
