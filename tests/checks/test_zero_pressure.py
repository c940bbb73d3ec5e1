"""Zero before anything is loosened. Rules are common practice, no published source; limits are the procedure's."""

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.checks.zero_pressure import ZERO_PRESSURE, check, proven_at
from tests.checks.job_for_order import (
    closed,
    fact,
    found,
    header,
    isolated,
    isolation,
    job,
    opening,
    read,
    rebuild,
    verdicts,
    without,
    work,
)
from tests.checks.zero_at_outlet import AS_FOUND, PART_OUT, at_outlet, outlet


def test_every_point_read_twice_over_the_hold_before_the_first_part_conforms():
    assert verdicts(check, job(rebuild())) == dict.fromkeys(("header", "outlet", "loading dome"), "conforming")


def test_the_finding_shows_what_was_read_for_how_long_and_what_was_wanted():
    finding = found(check, job(rebuild()))["loading dome"]
    assert finding.says == (
        "0.2 kPa at 13:26:00-02:30: 0.2000 + U 0.200 = 0.4000 kPa, at most 2.000 kPa; "
        "zero since 13:21:00-02:30, 5 min, hold 5 min wanted; first part handled 13:40:00-02:30."
    )
    assert finding.measured == {"value": "0.2", "unit": "kPa", "si": {"value": "0.20000", "unit": "kPa"}}
    assert finding.required["limit"]["si"] == {"value": "2.0000", "unit": "kPa"}
    assert "JCGM 100:2008 (from memory" in finding.source
    assert len(finding.entries) == 3


def test_a_procedure_that_names_no_points_asks_for_nothing():
    assert verdicts(check, job(rebuild(), procedure={"zero_pressure": None})) == {"zero_pressure": "not_applicable"}


# The last reading, and the hold.
def test_pressure_that_was_still_there_is_not_zero():
    finding = outlet(at_outlet("13:20:00", pressure="14 kPa"))
    assert finding.verdict == "nonconforming"
    assert finding.says.startswith("Pressure was still there: 14 kPa")


def test_pressure_that_rose_again_is_a_passing_valve():
    finding = outlet(at_outlet("13:20:00"), at_outlet("13:25:00", pressure="6 kPa"))
    assert finding.verdict == "nonconforming"
    assert finding.says.startswith("Pressure rose again, a valve passes: 6 kPa")
    assert finding.measured["value"] == "6"


def test_a_gauge_that_went_below_its_zero_shows_no_pressure_that_rose():
    finding = outlet(at_outlet("13:20:00"), at_outlet("13:25:00", pressure="-0.5 psi"))
    assert finding.verdict == "nonconforming"
    assert finding.says == (
        "The gauge stands below its zero: -0.5 psi at 13:25:00-02:30: −3.447 + U 0.200 = −3.247 kPa is below −2.000 kPa."
    )
    assert "rose" not in finding.says
    assert finding.advice.startswith("A gauge below its zero proves nothing")


def test_nobody_is_told_to_open_a_vent_that_is_open():
    still = outlet(at_outlet("13:20:00", pressure="14 kPa", vent_open=True))
    assert still.advice.startswith("Loosen nothing further. The vent is open and pressure is there")
    vague = outlet(at_outlet("13:20:00", pressure="2 kPa", vent_open=True))
    assert "Open the vent" not in vague.advice
    assert "Open the vent" in outlet(at_outlet("13:20:00", pressure="2 kPa")).advice


def test_the_sum_that_is_printed_is_the_sum_of_what_is_printed():
    assert "1.793 + U 0.200 = 1.993 kPa, at most 2.000 kPa" in outlet(at_outlet("13:20:00", pressure="0.26 psi")).says


# What the isolation shut.
OPEN_VALVE = [{"valve": "left master", "state": "open"}]
UNLOCKED = [{"valve": "left master", "state": "closed"}]


@pytest.mark.parametrize("valves", [[], OPEN_VALVE])
def test_an_isolation_that_closes_no_valve_isolates_nothing(valves):
    before = (AS_FOUND, isolated("13:10:00", valves=valves))
    finding = outlet(at_outlet("13:20:00"), before=before)
    assert finding.verdict == "inconclusive"
    assert "the isolation at 13:10:00-02:30 records no valve closed: it isolates nothing on record" in finding.says
    assert finding.advice.startswith("Record which valves were closed")
    assert outlet(at_outlet("13:20:00", pressure="14 kPa"), before=before).verdict == "nonconforming"


def test_a_valve_closed_and_opened_again_before_the_work_is_open():
    before = (AS_FOUND, isolated("13:10:00"), isolated("13:12:00", valves=OPEN_VALVE))
    assert outlet(at_outlet("13:20:00"), before=before).verdict == "inconclusive"
    other = (AS_FOUND, isolated("13:10:00"), isolated("13:12:00", valves=[]))
    assert outlet(at_outlet("13:20:00"), before=other).verdict == "conforming"


def test_zero_read_behind_no_closed_valve_is_no_milestone():
    facts = [isolated("13:10:00", valves=[]) if one.type == "bank.isolated" else one for one in rebuild()]
    assert proven_at(job(facts)) is None
    assert proven_at(job(rebuild())) is not None


def test_a_lock_that_is_not_recorded_is_advice_once_and_nothing_more():
    facts = [isolated("13:10:00", valves=UNLOCKED) if one.type == "bank.isolated" else one for one in rebuild()]
    findings = found(check, job(facts))
    assert {finding.verdict for finding in findings.values()} == {"conforming"}
    assert findings["header"].advice == "No lock is recorded on left master: anybody could have opened it."
    assert findings["outlet"].advice is None


def test_readings_at_a_point_nobody_asked_for_are_hinted_at_where_one_is_missing():
    facts = [*without(rebuild(), "pressure.read loading dome"), read("13:20:00", "lodaing dome", "isolated", "0 kPa")]
    findings = found(check, job(facts))
    assert findings["loading dome"].says.endswith(
        "Readings are recorded at lodaing dome, a point the procedure does not name."
    )
    assert "lodaing" not in findings["outlet"].says


def test_pressure_bled_off_before_the_proof_does_no_harm():
    assert outlet(at_outlet("13:15:00", pressure="300 kPa"), at_outlet("13:20:00")).verdict == "conforming"


@pytest.mark.parametrize(
    ("second", "verdict"), [("13:24:59", "inconclusive"), ("13:25:00", "conforming"), ("13:39:00", "conforming")]
)
def test_zero_must_hold_for_as_long_as_the_procedure_asks(second, verdict):
    assert outlet(at_outlet("13:20:00"), at_outlet(second), hold="PT5M").verdict == verdict


def test_a_hold_too_short_says_how_long_it_was_and_how_long_is_wanted():
    finding = outlet(at_outlet("13:20:00"), at_outlet("13:23:30"), hold="PT5M")
    assert "zero since 13:20:00-02:30, 3 min 30 s, hold 5 min wanted" in finding.says
    assert "read again 5 min or more after 13:20:00-02:30 and before the first part" in finding.advice


def test_one_reading_is_no_hold():
    assert outlet(at_outlet("13:20:00"), hold="PT5M").verdict == "inconclusive"


def test_the_hold_begins_anew_after_pressure_was_seen():
    readings = [
        at_outlet("13:20:00"),
        at_outlet("13:27:00", pressure="9 kPa"),
        at_outlet("13:30:00"),
        at_outlet("13:34:00"),
    ]
    assert outlet(*readings, hold="PT5M").verdict == "inconclusive"
    assert outlet(*readings, at_outlet("13:35:00"), hold="PT5M").verdict == "conforming"


def test_a_reading_that_cannot_tell_does_not_break_the_hold_unless_it_is_the_last():
    vague = at_outlet("13:22:00", pressure="2 kPa")
    assert outlet(at_outlet("13:20:00"), vague, at_outlet("13:25:00"), hold="PT5M").verdict == "conforming"
    vague_last = at_outlet("13:26:00", pressure="2 kPa")
    assert outlet(at_outlet("13:20:00"), at_outlet("13:25:00"), vague_last, hold="PT5M").verdict == "inconclusive"


# When it was read.
def test_a_part_removed_before_zero_was_read_is_nonconforming():
    finding = outlet(at_outlet("13:41:00"))
    assert finding.verdict == "nonconforming"
    assert finding.says.startswith("Loosened before zero was proven: the first part at 13:40:00-02:30")


def test_a_part_fitted_before_zero_was_read_is_nonconforming_too():
    fitted = fact("part.fitted", "13:19:00", part="main seat", new=True)
    assert outlet(at_outlet("13:20:00"), after=(fitted, PART_OUT)).verdict == "nonconforming"


def test_zero_read_in_the_second_in_which_the_first_part_came_out_cannot_be_told():
    finding = outlet(at_outlet("13:40:00"))
    assert finding.verdict == "inconclusive"
    assert "another clock" in finding.advice


def test_no_reading_at_a_point_is_missing_not_wrong():
    findings = found(check, job(without(rebuild(), "pressure.read loading dome")))
    assert findings["loading dome"].verdict == "inconclusive"
    assert findings["outlet"].verdict == "conforming"


def test_advice_for_a_dome_recalls_that_it_traps_its_loading_gas():
    findings = found(check, job(without(rebuild(), "pressure.read loading dome", "pressure.read outlet")))
    assert "A dome traps its loading gas while both gauges read zero" in findings["loading dome"].advice
    assert "loading dome" in findings["loading dome"].advice
    assert "traps" not in findings["outlet"].advice


def test_a_reading_before_the_isolation_is_not_a_proof():
    assert outlet(at_outlet("13:09:59")).verdict == "inconclusive"


def test_a_second_isolation_wants_zero_read_after_it():
    again = isolated("13:30:00")
    assert outlet(at_outlet("13:20:00"), again).verdict == "inconclusive"
    assert outlet(at_outlet("13:20:00"), again, at_outlet("13:31:00")).verdict == "conforming"


def test_without_a_recorded_isolation_nothing_is_proven():
    finding = outlet(at_outlet("13:20:00"), before=(AS_FOUND,))
    assert finding.verdict == "inconclusive"
    assert finding.advice.startswith("Record bank.isolated")


def test_a_part_removed_before_the_isolation_is_nonconforming():
    late = isolated("13:45:00")
    finding = outlet(at_outlet("13:46:00"), before=(AS_FOUND, late))
    assert finding.verdict == "nonconforming"
    assert "before the bank was isolated at 13:45:00-02:30" in finding.says


def test_a_pressure_as_left_at_the_same_point_is_no_proof_of_zero():
    assert outlet(at_outlet("13:20:00", "as_left", "0 kPa", vent_open=True)).verdict == "inconclusive"


# During the work.
def test_a_reading_during_the_work_proves_nothing():
    assert outlet(at_outlet("13:20:00", "during")).verdict == "inconclusive"


def test_a_pressure_during_the_isolation_takes_the_proof_away():
    assert outlet(at_outlet("13:20:00"), at_outlet("13:30:00", "during", "5 kPa")).verdict == "nonconforming"


def test_pressure_while_parts_are_out_is_nonconforming_although_zero_was_proven_before():
    fitted = fact("part.fitted", "13:58:00", part="main seat", new=True)
    rising = at_outlet("13:50:00", "during", "5 kPa")
    finding = outlet(at_outlet("13:20:00"), rising, after=(PART_OUT, fitted))
    assert finding.verdict == "nonconforming"
    assert "while parts were being handled" in finding.says


def test_pressure_let_in_after_the_last_part_is_nobodys_fault():
    assert outlet(at_outlet("13:20:00"), at_outlet("13:50:00", "during", "500 kPa")).verdict == "conforming"


# After a re-pressurisation.
RESTORED = fact("bank.restored", "14:20:00")
SECOND_PART = fact("part.removed", "14:40:00", part="main seat")
SECOND_ISOLATION = isolated("14:30:00")


def test_a_part_removed_after_repressurising_without_isolation_and_proof_is_nonconforming():
    finding = outlet(at_outlet("13:20:00"), after=(PART_OUT, RESTORED, SECOND_PART))
    assert finding.verdict == "nonconforming"
    assert finding.says.startswith("Period 1, isolated 13:10:00-02:30: 0.1 kPa")
    assert "after the bank was re-pressurised at 14:20:00-02:30, with no new isolation and no new proof" in finding.says


def test_a_new_isolation_without_a_new_proof_does_not_mend_it():
    finding = outlet(at_outlet("13:20:00"), after=(PART_OUT, RESTORED, SECOND_ISOLATION, SECOND_PART))
    assert finding.verdict == "nonconforming"
    assert "with no new proof in between" in finding.says


def test_each_period_with_its_own_proof_conforms():
    again = at_outlet("14:35:00")
    finding = outlet(at_outlet("13:20:00"), after=(PART_OUT, RESTORED, SECOND_ISOLATION, again, SECOND_PART))
    assert finding.verdict == "conforming"
    assert "Period 2, isolated 14:30:00-02:30" in finding.says


def test_the_worst_period_decides():
    vague = at_outlet("14:35:00", pressure="2 kPa")
    finding = outlet(at_outlet("13:20:00"), after=(PART_OUT, RESTORED, SECOND_ISOLATION, vague, SECOND_PART))
    assert finding.verdict == "inconclusive"
    assert finding.measured["value"] == "2"


def test_a_part_fitted_in_the_minute_of_restoring_belongs_to_the_work_before():
    fitted = fact("part.fitted", "14:20:00", part="main seat", new=True)
    assert outlet(at_outlet("13:20:00"), after=(PART_OUT, fitted, RESTORED)).verdict == "conforming"


# Nothing loosened yet.
def test_an_open_job_is_not_proven_until_the_last_reading_is_in():
    so_far = [*opening(), *isolation()]
    assert set(verdicts(check, job(so_far)).values()) == {"conforming"}
    assert verdicts(check, job(so_far[:-1])) == {
        "header": "conforming",
        "outlet": "conforming",
        "loading dome": "inconclusive",
    }
    assert set(verdicts(check, job(opening())).values()) == {"inconclusive"}


def test_a_bank_isolated_again_in_an_open_job_is_not_proven_by_the_first_proof():
    facts = [*opening(), *isolation(), *work(), SECOND_ISOLATION]
    assert set(verdicts(check, job(facts)).values()) == {"inconclusive"}
    assert set(verdicts(check, job([*facts, closed()])).values()) == {"conforming"}


def test_a_bank_repressurised_in_an_open_job_is_no_longer_proven():
    facts = [*opening(), *isolation(), RESTORED]
    assert set(verdicts(check, job(facts)).values()) == {"inconclusive"}
    assert set(verdicts(check, job([*facts, closed()])).values()) == {"conforming"}


@given(st.randoms(use_true_random=False))
def test_any_order_of_arrival_gives_the_same_findings(chance: random.Random):
    facts = rebuild()
    chance.shuffle(facts)
    assert list(check(job(facts))) == list(check(job(rebuild())))


def test_the_header_gauge_of_the_scenario_could_not_have_measured_the_limit():
    facts = [*without(rebuild(), "pressure.read header"), header("13:04:00", "as_found", "140 bar")]
    facts += [header("13:20:00", "isolated", "0 bar"), header("13:25:00", "isolated", "0 bar")]
    assert found(check, job(facts))["header"].verdict == "inconclusive"


def test_the_catalogue_row_names_both_proofs():
    assert ZERO_PRESSURE.name == "zero_pressure"
    assert "|p| + U ≤ limit" in ZERO_PRESSURE.formula
    assert [finding.subject for finding in ZERO_PRESSURE.run(job(rebuild()))] == ["header", "outlet", "loading dome"]
