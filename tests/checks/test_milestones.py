"""When a milestone is complete, and when it first happened. Common practice, no published source."""

import pytest

from service.checks.milestones import complete, first
from service.checks.zero_pressure import proven_at
from tests.checks.job_for_order import (
    ZERO,
    counted_in,
    fact,
    isolation,
    job,
    local,
    opening,
    q,
    read,
    rebuild,
    without,
)
from tests.checks.zero_at_outlet import at_outlet


@pytest.mark.parametrize(
    ("milestone", "at"),
    [
        ("zero_pressure", "13:26:00"),
        ("zero_pressure:header", "13:25:00"),
        ("turns.counted:out", "13:30:20"),
        ("turns.counted", "13:30:20"),
        ("part.removed", "13:42:00"),
        ("part.removed:bias spring", "13:40:00"),
        ("part.fitted", "13:58:00"),
        ("part.fitted:main seat", "13:55:00"),  # a listed substitute went in
        ("torque.applied", "14:09:00"),
        ("torque.applied:bonnet", "14:09:00"),  # 14:05 was intermediate
        ("pressure.read:isolated", "13:20:00"),
        ("pressure.read", "13:04:00"),
        ("leak.tested", "14:55:00"),
        ("leak.tested:outlet", "14:50:00"),
        ("lockup.tested", "15:05:00"),
        ("function.tested", "15:24:00"),
        ("function.tested:changeover", "15:20:00"),
        ("step.done:9", "15:28:00"),
        ("bank.isolated", "13:10:00"),
        ("bank.isolated:left master", "13:10:00"),  # has no subject: any will do
        ("setting.adjusted", "14:26:00"),
        ("rebuild.opened:scheduled", "13:00:00"),
        ("rebuild.closed:returned_to_service", "15:30:00"),
    ],
)
def test_a_milestone_is_complete_when_all_of_it_was_done(milestone, at):
    assert complete(job(rebuild()), milestone).at == local(at)


@pytest.mark.parametrize(
    ("milestone", "at"),
    [
        ("turns.counted:out", "13:30:00"),
        ("part.removed", "13:40:00"),
        ("part.fitted", "13:55:00"),
        ("torque.applied", "14:04:00"),
        ("torque.applied:bonnet", "14:09:00"),
        ("leak.tested", "14:50:00"),
        ("zero_pressure", "13:26:00"),
    ],
)
def test_a_milestone_has_begun_with_the_first_of_it(milestone, at):
    assert first(job(rebuild()), milestone).at == local(at)


@pytest.mark.parametrize(
    ("left_out", "milestone", "missing"),
    [
        ("13:25:00", "zero_pressure", "zero pressure not proven at every point"),
        ("13:25:00", "zero_pressure:header", "zero pressure not proven at header"),
        ("13:30:20", "turns.counted:out", "1 of 2 counters have counted out"),
        ("13:42:00", "part.removed", "no part.removed recorded for main seat"),
        ("14:55:00", "leak.tested", "no leak.tested recorded for header"),
        ("15:24:00", "function.tested", "no function.tested recorded for high alarm"),
        ("15:28:00", "step.done:9", "no step.done:9 recorded"),
    ],
)
def test_a_milestone_that_is_not_complete_says_what_is_missing(left_out, milestone, missing):
    reached = complete(job(without(rebuild(), left_out)), milestone)
    assert reached.at is None
    assert reached.missing == missing


def test_one_person_counting_twice_is_one_counter():
    twice = [*without(rebuild(), "13:30:20"), fact("turns.counted", "13:31:00", direction="out", turns=q("9.5 turn"))]
    assert complete(job(twice), "turns.counted:out").at is None


def test_a_count_two_agreed_on_is_two_counters():
    agreed = fact("turns.counted", "13:33:00", direction="out", turns=q("9.5 turn"), agreed_by=["ruth", "iver"])
    judged = job([*without(rebuild(), "13:30:00", "13:30:20"), agreed])
    assert complete(judged, "turns.counted:out").at == local("13:33:00")


def test_a_count_out_and_a_count_in_do_not_make_two_counters():
    facts = [*without(rebuild(), "13:30:20"), counted_in()[1]]
    assert complete(job(facts), "turns.counted").at is None
    assert complete(job(facts), "turns.counted:in").missing == "1 of 2 counters have counted in"


def test_where_no_number_of_counters_is_asked_one_is_enough():
    judged = job(without(rebuild(), "13:30:20"), procedure={"turns": None})
    assert complete(judged, "turns.counted:out").at == local("13:30:00")


def test_an_intermediate_torque_is_no_milestone():
    facts = without(rebuild(), "14:09:00 torque.applied bonnet")
    assert first(job(facts), "torque.applied:bonnet").at is None


def test_where_the_procedure_lists_nothing_the_first_of_it_completes():
    assert complete(job(rebuild(), procedure={"leak_test": None}), "leak.tested").at == local("14:50:00")
    before = [("zero_pressure", "turns.counted:out")]
    judged = job(rebuild(), procedure={"joints": [], "kit": None, "functions": [], "before": before})
    assert complete(judged, "torque.applied").at == local("14:04:00")
    assert complete(judged, "part.removed").at == local("13:40:00")
    assert complete(judged, "function.tested").at == local("15:20:00")


# When zero was first proven: the milestone of `order`.
def test_zero_is_proven_with_the_reading_that_completes_the_last_point():
    assert proven_at(job(rebuild())) == local("13:26:00")
    assert proven_at(job(rebuild()), "header") == local("13:25:00")
    assert proven_at(job(rebuild()), "gland") is None
    assert proven_at(job(rebuild(), procedure={"zero_pressure": None})) is None


def test_zero_is_proven_at_the_first_readings_where_no_hold_is_asked():
    assert proven_at(job(rebuild(), procedure={"zero_pressure": {"points": ZERO["points"]}})) == local("13:21:00")


def test_zero_is_not_proven_while_one_point_is_missing_or_its_gauge_is_not_alive():
    assert proven_at(job(without(rebuild(), "13:25:00 pressure.read header"))) is None
    assert proven_at(job(without(rebuild(), "13:05:00 pressure.read outlet"))) is None


def test_a_point_that_rose_again_must_be_zero_at_the_same_time_as_the_others():
    risen = [*rebuild(), read("13:25:50", "outlet", "isolated", "40 kPa")]
    assert proven_at(job(risen)) is None
    assert proven_at(job([*risen, at_outlet("13:27:00"), at_outlet("13:32:00")])) == local("13:32:00")


def test_a_proof_that_came_too_late_is_still_a_time():
    early = fact("part.removed", "13:15:00", part="main seat")
    assert proven_at(job([*rebuild(), early])) == local("13:26:00")


def test_a_proof_does_not_outlive_a_repressurisation():
    facts = [*opening(), *isolation()[:-1], fact("bank.restored", "13:25:50"), isolation()[-1]]
    assert proven_at(job(facts)) is None
