"""Zero pressure where times are written to the minute and fall together. Common practice, no published source."""

import pytest

from tests.checks.job_for_order import closed, fact, isolated, read
from tests.checks.zero_at_outlet import AS_FOUND, ISOLATED, PART_OUT, at_outlet, outlet

FITTED = fact("part.fitted", "13:58:00", part="main seat", new=True)


def restored(clock):
    return fact("bank.restored", clock)


def test_zero_read_in_the_second_of_the_isolation_was_read_after_it_as_its_phase_says():
    assert outlet(at_outlet("13:10:00")).verdict == "conforming"


def test_a_gauge_read_as_found_in_the_second_of_the_isolation_was_alive():
    before = (read("13:10:00", "outlet", "as_found", "872 kPa"), ISOLATED)
    assert outlet(at_outlet("13:20:00"), before=before).verdict == "conforming"


def test_an_isolation_in_the_second_of_the_first_part_came_first_but_left_no_time_for_a_proof():
    finding = outlet(at_outlet("13:41:00"), before=(AS_FOUND, isolated("13:40:00")))
    assert finding.verdict == "nonconforming"
    assert finding.says.startswith("Loosened before zero was proven")


def test_isolated_loosened_and_restored_in_one_second_is_still_isolated():
    facts = (isolated("13:40:00"), PART_OUT, restored("13:40:00"), closed())
    finding = outlet(before=(AS_FOUND,), after=facts)
    assert finding.says == "No reading between isolation and the first part at 13:40:00-02:30."


def test_a_bank_restored_and_isolated_in_one_second_is_isolated():
    again = (restored("14:30:00"), isolated("14:30:00"), at_outlet("14:35:00"))
    second = fact("part.removed", "14:40:00", part="main seat")
    assert outlet(at_outlet("13:20:00"), after=(PART_OUT, *again, second)).verdict == "conforming"


def test_the_only_part_fitted_in_the_second_of_restoring_still_wants_its_proof():
    finding = outlet(after=(FITTED, restored("13:58:00")))
    assert finding.verdict == "inconclusive"
    assert finding.says == "No reading between isolation and the first part at 13:58:00-02:30."


def test_zero_first_read_in_the_second_of_restoring_came_after_the_parts():
    assert outlet(at_outlet("14:20:00"), after=(PART_OUT, restored("14:20:00"))).verdict == "nonconforming"


@pytest.mark.parametrize("clock", ["13:40:00", "13:58:00"])
def test_pressure_in_the_second_of_the_first_or_of_the_last_part_was_there_while_they_were_handled(clock):
    finding = outlet(at_outlet("13:20:00"), at_outlet(clock, "during", "5 kPa"), after=(PART_OUT, FITTED))
    assert finding.verdict == "nonconforming"
    assert finding.says.startswith("Pressure was there while parts were being handled: 5 kPa")


def test_a_single_reading_is_told_as_no_time_at_all_where_a_hold_is_wanted():
    assert "zero since 13:20:00-02:30, 0 s, hold 5 min wanted" in outlet(at_outlet("13:20:00"), hold="PT5M").says
    assert "zero since" not in outlet(at_outlet("13:20:00")).says
