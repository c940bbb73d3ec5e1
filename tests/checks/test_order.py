"""What comes before what. Pairs are the procedure's; the rules are common practice, no published source."""

import random
from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.checks.clock import lapse
from service.checks.order import ORDER, check
from tests.checks.job_for_order import (
    closed,
    counted_in,
    decay,
    fact,
    found,
    isolation,
    job,
    local,
    opening,
    proving,
    q,
    read,
    rebuild,
    verdicts,
    without,
    work,
)

AFTER = "after the last part, torque or setting"


def pair(earlier, later, facts, **procedure):
    """The finding about this pair alone."""
    judged = job(facts, procedure={"before": [(earlier, later)], **procedure})
    return found(check, judged)[f"{earlier} before {later}"]


def test_the_whole_rebuild_in_order_conforms():
    judged = verdicts(check, job(rebuild()))
    assert set(judged.values()) == {"conforming"}
    assert len(judged) == 10


def test_a_pair_shows_both_times_on_the_facilitys_clock_and_the_span_between():
    finding = found(check, job(rebuild()))["turns.counted:out before part.removed"]
    assert finding.says == (
        "turns.counted:out complete 13:30:20-02:30, first part.removed 13:40:00-02:30: 9 min 40 s before."
    )
    assert [entry[11:19] for entry in finding.entries] == ["13:30:20", "13:40:00"]


def test_another_day_than_the_openings_is_shown_with_its_date():
    late = [*without(rebuild(), "rebuild.closed"), closed("08:15:00", day="2026-06-10")]
    finding = pair("torque.applied", "rebuild.closed", late)
    assert finding.says.endswith("first rebuild.closed 2026-06-10 08:15:00-02:30: 18 h 6 min before.")


def test_the_day_of_the_opening_is_the_one_that_goes_without_a_date():
    told = fact("notice.given", "16:00:00", day="2026-06-08", to=["ward 2"], when="before")
    finding = pair("notice.given:before", "bank.isolated", [told, *rebuild()])
    assert finding.says.startswith(
        "notice.given:before complete 2026-06-08 16:00:00-02:30, first bank.isolated 13:10:00"
    )


def test_nothing_asked_and_nothing_proven_has_no_order():
    assert verdicts(check, job(opening(), procedure={"before": []})) == {"order": "not_applicable"}


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (0, "0 s"),
        (0.5, "0.5 s"),
        (590, "9 min 50 s"),
        (600, "10 min"),
        (3_600, "1 h"),
        (100_000, "1 d 3 h 46 min 40 s"),
    ],
)
def test_a_span_is_told_in_the_units_of_a_clock(seconds, words):
    assert lapse(timedelta(seconds=seconds)) == words


# Before, after, at the same time.
@pytest.mark.parametrize(
    ("second_count", "verdict"),
    [("13:39:59", "conforming"), ("13:40:00", "inconclusive"), ("13:40:01", "nonconforming")],
)
def test_the_completing_count_must_precede_the_first_part_by_more_than_nothing(second_count, verdict):
    late = fact("turns.counted", second_count, direction="out", turns=q("9.5 turn"), counted_by="iver")
    assert pair("turns.counted:out", "part.removed", [*without(rebuild(), "13:30:20"), late]).verdict == verdict


def test_equal_times_ask_for_seconds_or_another_clock():
    late = fact("turns.counted", "13:40:00", direction="out", turns=q("9.5 turn"), counted_by="iver")
    finding = pair("turns.counted:out", "part.removed", [*without(rebuild(), "13:30:20"), late])
    assert finding.advice == "The times are equal; seconds or another clock would settle it."


def test_done_after_what_it_should_precede_is_nonconforming_and_says_by_how_much():
    finding = pair("turns.counted:in", "part.removed", [*rebuild(), *counted_in()])
    assert finding.verdict == "nonconforming"
    assert "turns.counted:in complete 14:12:10-02:30" in finding.says
    assert "32 min 10 s after, not before" in finding.says


def test_what_never_completed_is_inconclusive_and_says_what_is_missing():
    finding = pair("torque.applied", "bank.restored", without(rebuild(), "14:09:00 torque.applied bonnet"))
    assert finding.verdict == "inconclusive"
    assert "no torque.applied recorded for bonnet" in finding.says


def test_what_has_not_come_yet_has_nothing_before_it():
    finding = pair("torque.applied", "bank.restored", [*opening(), *isolation()])
    assert finding.verdict == "not_applicable"
    assert "no bank.restored recorded" in finding.says


def test_nothing_of_either_is_not_applicable():
    assert pair("torque.applied", "bank.restored", opening()).verdict == "not_applicable"


def test_doing_it_again_later_does_not_undo_that_it_was_complete():
    again = fact("torque.applied", "14:25:00", joint="bonnet", torque=q("45 N.m"))
    assert pair("torque.applied", "bank.restored", [*rebuild(), again]).verdict == "conforming"


def test_an_early_b_is_not_forgiven_by_a_later_one():
    early = fact("bank.restored", "14:00:00")
    assert pair("torque.applied", "bank.restored", [*rebuild(), early]).verdict == "nonconforming"


def test_zero_proven_after_the_count_began_is_nonconforming():
    early = fact("turns.counted", "13:22:00", direction="out", turns=q("9.5 turn"), counted_by="iver")
    assert found(check, job([*rebuild(), early]))["zero_pressure before turns.counted:out"].verdict == "nonconforming"


def test_zero_never_proven_leaves_the_order_open():
    finding = found(check, job(without(rebuild(), "13:25:00")))["zero_pressure before turns.counted:out"]
    assert finding.verdict == "inconclusive"
    assert "zero pressure not proven at every point" in finding.says


def test_what_should_precede_a_proof_that_never_came_is_not_applicable():
    finding = pair("bank.isolated", "zero_pressure", without(rebuild(), "13:25:00"))
    assert finding.verdict == "not_applicable"


# Tests come after the last part, torque or setting.
def implied(what, facts, **changes):
    return found(check, job(facts, **changes))[f"{what} {AFTER}"]


@pytest.mark.parametrize("what", ["leak.tested", "lockup.tested", "as-left pressure", "function.tested"])
@pytest.mark.parametrize(
    "late",
    [
        fact("part.removed", "15:29:00", part="bias spring"),
        fact("part.fitted", "15:29:00", part="bias spring", new=False),
        fact("torque.applied", "15:29:00", joint="bonnet", torque=q("45 N.m")),
        fact("torque.applied", "15:29:00", joint="bonnet", torque=q("20 N.m"), stage="intermediate"),
        fact("setting.adjusted", "15:29:00", turns=q("-0.1 turn")),
    ],
    ids=lambda late: late.type,
)
def test_anything_done_to_the_regulator_afterwards_wants_every_test_again(what, late):
    finding = implied(what, [*rebuild(), late])
    assert finding.verdict == "nonconforming"
    assert finding.advice.startswith("Repeat it for ")
    assert f"last {late.type} 15:29:00-02:30" in finding.says


def test_reading_a_pressure_afterwards_wants_nothing_again():
    later = read("15:29:00", "line", "restored", "880 kPa")
    assert set(verdicts(check, job([*rebuild(), later])).values()) == {"conforming"}


@pytest.mark.parametrize(
    ("adjusted", "verdict"),
    [("15:09:59", "conforming"), ("15:10:00", "inconclusive"), ("15:10:01", "nonconforming")],
)
def test_the_pressure_as_left_is_read_after_the_last_setting(adjusted, verdict):
    setting = fact("setting.adjusted", adjusted, turns=q("0.1 turn"))
    assert implied("as-left pressure", [*rebuild(), setting]).verdict == verdict


def test_only_the_flow_read_too_early_is_to_be_read_again():
    setting = fact("setting.adjusted", "15:11:00", turns=q("0.1 turn"))
    finding = implied("as-left pressure", [*rebuild(), setting])
    assert finding.advice == "Repeat it for flowing."
    assert "flowing 15:10:00-02:30: 1 min before it" in finding.says
    assert "static 15:12:00-02:30: 1 min after it" in finding.says


def test_a_test_repeated_after_the_setting_counts():
    setting = fact("setting.adjusted", "15:11:00", turns=q("0.1 turn"))
    again = read("15:13:00", "outlet", "as_left", "884.0 kPa", flow="flowing")
    assert implied("as-left pressure", [*rebuild(), setting, again]).verdict == "conforming"


def test_each_section_needs_its_own_last_leak_test_after_the_work():
    setting = fact("torque.applied", "14:52:00", joint="bonnet", torque=q("45 N.m"))
    finding = implied("leak.tested", [*rebuild(), setting])
    assert finding.verdict == "nonconforming"
    assert finding.advice == "Repeat it for outlet."


def test_a_pressure_decay_under_way_while_the_setting_moved_is_no_test_of_the_work():
    setting = fact("setting.adjusted", "14:40:00", turns=q("0.1 turn"))
    finding = implied("leak.tested", [*rebuild(), setting])
    assert finding.verdict == "nonconforming"
    assert "outlet 14:30:00-02:30: 10 min before it" in finding.says


def test_a_section_nobody_asked_for_may_be_tested_at_any_time():
    early = decay("gland", "13:06:00", "13:09:00")
    assert implied("leak.tested", [*rebuild(), early]).verdict == "conforming"


def test_a_lockup_that_names_no_section_stands_for_the_named_one():
    setting = fact("setting.adjusted", "15:01:00", turns=q("0.1 turn"))
    readings = [{"after": "PT1M", "pressure": q("900 kPa")}]
    named = fact("lockup.tested", "15:00:00", section="outlet", flowing=q("880 kPa"), readings=readings)
    assert implied("lockup.tested", [*rebuild(), named, setting]).verdict == "conforming"
    other = fact("lockup.tested", "15:00:30", section="header", flowing=q("880 kPa"), readings=readings)
    named_again = fact("lockup.tested", "15:06:00", section="outlet", flowing=q("880 kPa"), readings=readings)
    facts = [*without(rebuild(), "lockup.tested"), other, setting, named_again]
    assert implied("lockup.tested", facts).advice == "Repeat it for header."


def test_a_test_that_was_not_done_or_not_asked_for_is_left_to_other_checks():
    untested = without(rebuild(), "leak.tested", "lockup.tested", "as_left", "function.tested")
    assert not [subject for subject in verdicts(check, job(untested)) if subject.endswith(AFTER)]
    unasked = {"leak_test": None, "lockup": None, "functions": []}
    assert not [
        subject
        for subject in verdicts(check, job(rebuild(), procedure=unasked, register={"delivered_pressure": None}))
        if subject.endswith(AFTER)
    ]


def test_tests_without_any_work_have_nothing_to_come_after():
    judged = verdicts(check, job([*opening(), *proving()], procedure={"before": []}))
    assert judged[f"leak.tested {AFTER}"] == "not_applicable"


@given(st.randoms(use_true_random=False))
def test_any_order_of_arrival_gives_the_same_findings(chance: random.Random):
    facts = rebuild()
    chance.shuffle(facts)
    assert list(check(job(facts))) == list(check(job(rebuild())))


@given(st.integers(-7200, 7200))
def test_a_pair_is_decided_by_its_times_alone(seconds):
    """t(A) < t(B) conforming, = inconclusive, > nonconforming."""
    restored = next(one for one in work() if one.type == "bank.restored")
    moved = type(restored)(restored.id, restored.type, local("14:09:00") + timedelta(seconds=seconds), restored.data)
    verdict = pair("torque.applied", "bank.restored", [*without(work(), "bank.restored"), moved]).verdict
    assert verdict == ("conforming" if seconds > 0 else "nonconforming" if seconds < 0 else "inconclusive")


def test_the_catalogue_row_says_strictly_before():
    assert ORDER.name == "order"
    assert "t(A complete) < t(first B)" in ORDER.formula
