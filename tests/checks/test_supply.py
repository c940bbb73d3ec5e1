"""The wards were supplied and told while the bank was out.

Schemes differ, so the band is data: NFPA 99, 50 to 55 psi, printed 345 to 380 kPa (from memory). Notice: common practice,
no published source.
"""

import pytest

from service.checks.supply import SUPPLY, check
from tests.checks.building import by_subject, closed, fact, job, opened
from tests.checks.job_for_order import q

LINE = {"point": "line", "low": q("345 kPa"), "high": q("380 kPa")}
ISOLATED, RESTORED = fact("bank.isolated", "08:40"), fact("bank.restored", "10:08")
OUT = (ISOLATED, RESTORED)


def line(pressure, clock="09:00", phase="during", point="line"):
    return fact("pressure.read", clock, {"point": point, "phase": phase, "pressure": q(pressure)})


def told(when, clock):
    return fact("notice.given", clock, {"to": ["ward 3", "theatres"], "when": when})


def judged(*facts, supply=True, notice=False, band=LINE, shut=True):
    register = {"line_pressure": band} if band else {}
    ending = [closed()] if shut else []
    asks = {"supply": supply, "notice": notice}
    return by_subject(check(job(opened(), *facts, *ending, asks=asks, register=register)))


def the_line(*facts, **more):
    return judged(*facts, **more)["line"]


# Both ends are inside: NFPA 99, 50–55 psi printed 345–380 kPa (from memory).
@pytest.mark.parametrize(
    ("pressure", "verdict"),
    [
        ("345 kPa", "conforming"), ("344.9 kPa", "nonconforming"), ("380 kPa", "conforming"), ("380.1 kPa", "nonconforming"),
        ("55 psi", "conforming"), ("50 psi", "nonconforming"), ("50.1 psi", "conforming"), ("3.6 bar", "conforming"),
    ],
)  # fmt: skip
def test_both_ends_of_the_band_are_inside_in_any_unit(pressure, verdict):
    """50 psi is 344.738 kPa and 55 psi 379.212 (NIST SP 811, from memory)."""
    assert the_line(*OUT, line(pressure)).verdict == verdict


def test_the_finding_tells_the_band_and_how_long_nobody_looked():
    finding = the_line(*OUT, line("360 kPa", "09:00"), line("352 kPa", "09:20"))
    assert finding.says == (
        "2 readings, 352 kPa to 360 kPa; band 345 kPa to 380 kPa; longest time without a reading 48 min: inside."
    )
    assert finding.measured["value"] == "352"


def test_one_reading_out_of_many_is_out():
    finding = the_line(*OUT, line("360 kPa", "09:00"), line("300 kPa", "09:20"), line("360 kPa", "09:40"))
    assert finding.verdict == "nonconforming"
    assert "300 kPa at 09:20:00+00:00 outside it" in finding.says
    assert finding.advice.startswith("Tell the wards")


# The bank is out from 08:40 to 10:08, both ends included.
@pytest.mark.parametrize(
    ("clock", "verdict"),
    [("08:39", "inconclusive"), ("08:40", "conforming"), ("10:08", "conforming"), ("10:09", "inconclusive")],
)
def test_only_what_was_read_while_the_bank_was_out_counts(clock, verdict):
    assert the_line(*OUT, line("360 kPa", clock)).verdict == verdict


def test_a_reading_elsewhere_says_nothing_of_the_line():
    assert the_line(*OUT, line("360 kPa", point="ward")).verdict == "inconclusive"


def test_a_bank_taken_out_twice_is_watched_twice():
    again = (fact("bank.isolated", "11:00"), fact("bank.restored", "11:30"))
    assert the_line(*OUT, *again, line("360 kPa"), line("300 kPa", "11:10")).verdict == "nonconforming"
    assert the_line(*OUT, *again, line("360 kPa"), line("300 kPa", "10:30")).verdict == "conforming"


def test_while_it_is_still_out_what_was_read_so_far_counts():
    assert the_line(ISOLATED, line("360 kPa"), shut=False).verdict == "conforming"


def test_without_an_isolation_what_was_read_during_the_work_counts():
    assert the_line(line("360 kPa")).verdict == "conforming"
    assert the_line(line("360 kPa", phase="as_left")).verdict == "inconclusive"


def test_gauge_and_absolute_cannot_be_compared():
    assert "cannot be compared" in the_line(*OUT, line("360 kPa absolute")).says


def test_a_register_without_a_band_leaves_it_open():
    assert the_line(*OUT, line("360 kPa"), band=None).verdict == "inconclusive"


def test_not_asked_for():
    assert judged(*OUT, supply=False)["supply"].verdict == "not_applicable"


# Notice: equal times prove no order.
@pytest.mark.parametrize(
    ("clock", "verdict"), [("08:05", "conforming"), ("08:40", "inconclusive"), ("08:41", "nonconforming")]
)
def test_the_wards_are_told_before_the_bank_goes_out(clock, verdict):
    found = judged(*OUT, told("before", clock), told("after", "10:30"), supply=False, notice=True)
    assert (found["notice before"].verdict, found["notice after"].verdict) == (verdict, "conforming")


@pytest.mark.parametrize(
    ("clock", "verdict"), [("10:09", "conforming"), ("10:08", "inconclusive"), ("10:07", "nonconforming")]
)
def test_and_told_again_once_it_is_back(clock, verdict):
    found = judged(*OUT, told("before", "08:05"), told("after", clock), supply=False, notice=True)
    assert found["notice after"].verdict == verdict


def test_a_notice_that_is_missing_is_inconclusive():
    found = judged(*OUT, supply=False, notice=True)
    assert {name: finding.verdict for name, finding in found.items()} == {
        "notice before": "inconclusive",
        "notice after": "inconclusive",
    }


def test_a_bank_that_did_not_come_back_has_nothing_to_be_told_of():
    found = judged(ISOLATED, told("before", "08:05"), supply=False, notice=True)
    assert found["notice after"].verdict == "not_applicable"
    so_far = judged(ISOLATED, told("before", "08:05"), supply=False, notice=True, shut=False)
    assert so_far["notice after"].verdict == "inconclusive"


def test_told_early_enough_and_not_yet_isolated():
    assert judged(told("before", "08:05"), supply=False, notice=True)["notice before"].verdict == "conforming"


def test_the_last_notice_after_and_the_first_before_count():
    notices = [told("before", "08:05"), told("before", "08:50"), told("after", "09:00"), told("after", "10:30")]
    found = judged(*OUT, *notices, supply=False, notice=True)
    assert {finding.verdict for finding in found.values()} == {"conforming"}


def test_the_catalogue_row_reads_what_takes_a_bank_out_and_back():
    assert {"bank.isolated", "bank.restored", "notice.given"} < SUPPLY.reads
