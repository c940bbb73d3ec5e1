"""Every function test passed, in its limits.

Alarm bands ± 20 %: NFPA 99 and HTM 02-01 (from memory). Simple acceptance: ILAC-G8:09/2019 cl. 4.2 (from memory).
"""

import pytest

from service.checks.functions import FUNCTIONS, check
from tests.checks.building import by_subject, fact, job, opened, q


def made(test="changeover", result="passed", clock="11:28", readings=()):
    return fact(
        "function.tested", clock, {"test": test, "result": result, "readings": list(readings)}, id=f"{test} {clock}"
    )


def reading(value, low=None, high=None, what="opens at"):
    limits = {name: q(limit) for name, limit in (("low", low), ("high", high)) if limit}
    return {"what": what, "value": q(value), **limits}


def judged(*facts, asked=("changeover",)):
    return by_subject(check(job(opened(), *facts, asks={"functions": list(asked)})))


def one(*readings, result="passed"):
    return judged(made(readings=readings, result=result))["changeover"]


# 400 kPa ± 20 % → 320 / 480 (HTM 02-01, from memory); 55 psi ± 20 % → 44 / 66 (NFPA 99, from memory).
@pytest.mark.parametrize(
    ("value", "low", "high", "verdict"),
    [
        ("320 kPa", "320 kPa", "480 kPa", "conforming"),
        ("319.9 kPa", "320 kPa", "480 kPa", "nonconforming"),
        ("4.8 bar", "320 kPa", "480 kPa", "conforming"),
        ("4.81 bar", "320 kPa", "480 kPa", "nonconforming"),
        ("44 psi", "44 psi", "66 psi", "conforming"),
        ("66.1 psi", "44 psi", "66 psi", "nonconforming"),
        ("303.4 kPa", "44 psi", "66 psi", "conforming"),  # 44 psi is 303.369 kPa (NIST SP 811, from memory)
        ("303.3 kPa", "44 psi", "66 psi", "nonconforming"),
        ("14.2 bar", None, "16 bar", "conforming"),
        ("16.1 bar", None, "16 bar", "nonconforming"),
        ("12 bar", "12 bar", None, "conforming"),
        ("21 Cel", "68 [degF]", "72 [degF]", "conforming"),  # 69.8 °F, by definition
    ],
)
def test_both_limits_are_inside_in_any_unit(value, low, high, verdict):
    assert one(reading(value, low, high)).verdict == verdict


def test_a_test_that_passed_without_readings_conforms():
    finding = one()
    assert (finding.verdict, finding.says) == ("conforming", "Passed 11:28:00+00:00.")


def test_a_test_that_failed_is_nonconforming_whatever_it_read():
    finding = one(reading("14 bar", "12 bar", "16 bar"), result="failed")
    assert finding.verdict == "nonconforming"
    assert finding.says == "Failed 11:28:00+00:00; opens at 14 bar (1400 kPa), limits 12 bar to 16 bar."


def test_a_reading_out_of_its_limits_outweighs_the_word_passed():
    finding = one(reading("17 bar", "12 bar", "16 bar"))
    assert finding.verdict == "nonconforming"
    assert "out of its limits, whatever the result says" in finding.says
    assert finding.measured["value"] == "17"
    assert finding.required["high"]["value"] == "16"


def test_one_of_several_readings_out_is_out():
    assert one(reading("14 bar", "12 bar", "16 bar"), reading("11 bar", "12 bar", "16 bar")).verdict == "nonconforming"


def test_a_reading_that_cannot_be_compared_is_inconclusive():
    finding = one(reading("14 bar", "12 L/min", None))
    assert finding.verdict == "inconclusive"
    assert "cannot be compared with 12 L/min" in finding.says


def test_a_reading_without_limits_is_told():
    assert "no limits given" in one(reading("14 bar")).says


def test_the_last_test_decides():
    assert judged(made(result="failed"), made(clock="11:40"))["changeover"].verdict == "conforming"
    assert judged(made(), made(result="failed", clock="11:40"))["changeover"].verdict == "nonconforming"


def test_each_test_asked_for_wants_to_be_made():
    found = judged(made(), asked=("changeover", "bank low alarm", "gas identity"))
    assert {name: finding.verdict for name, finding in found.items()} == {
        "changeover": "conforming",
        "bank low alarm": "inconclusive",
        "gas identity": "inconclusive",
    }
    assert "function.tested (gas identity)" in found["gas identity"].advice


def test_a_test_nobody_asked_for_counts_when_it_failed():
    assert set(judged(made(), made("relief valve"))) == {"changeover"}
    found = judged(made(), made("relief valve", "failed"))
    assert (found["relief valve"].verdict, found["relief valve"].counts) == ("nonconforming", True)


def test_a_procedure_without_function_tests_asks_for_none():
    assert judged(asked=())["functions"].verdict == "not_applicable"
    assert judged(made(result="failed"), asked=())["changeover"].verdict == "nonconforming"


def test_the_catalogue_row_names_what_it_decides():
    assert "relief" in FUNCTIONS.decides
    assert FUNCTIONS.reads == {"function.tested", "rebuild.opened"}
