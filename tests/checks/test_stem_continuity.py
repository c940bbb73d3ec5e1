"""Was the setting touched between rebuilds? Common practice, no published source."""

from decimal import Decimal

import pytest

from service.checks.job import Earlier, StemLeft
from service.checks.stem_continuity import check
from tests.checks.building import at, fact, job, opened, q

ASKED = {"turns": {"tolerance": q("0.25 turn"), "resolution": q("0.25 turn"), "counters": 1}}
LEFT = StemLeft(Decimal("11.50"), at("10:14", "2022-05-04"), ("turns in", "adjusted"))


def rebuilt(stem=LEFT, day="2022-05-04"):
    return Earlier("an earlier rebuild", at("08:30", day), stem)


BEFORE = rebuilt()


def counted(clock, turns, direction="out", person="tech-07"):
    return fact("turns.counted", clock, {"direction": direction, "turns": q(turns), "counted_by": person})


def adjusted(clock, turns, day="2026-05-04"):
    return fact("setting.adjusted", clock, {"turns": q(turns)}, day=day, id=f"adjusted {day} {clock}")


def continuity(*facts, earlier=(BEFORE,), asks=ASKED, **more):
    (finding,) = check(job(opened(), *facts, asks=asks, earlier=earlier, **more))
    assert not finding.counts
    return finding


@pytest.mark.parametrize(
    ("out", "verdict"),
    [
        ("11.5 turn", "conforming"),
        ("11.75 turn", "conforming"),
        ("69 flat", "conforming"),
        ("11.24 turn", "nonconforming"),
    ],
)
def test_the_stem_comes_out_by_what_it_was_left_engaged(out, verdict):
    finding = continuity(counted("09:02", out))
    assert (finding.subject, finding.verdict) == ("stem", verdict)
    assert finding.entries == ("turns in", "adjusted", "turns.counted 09:02")


def test_a_setting_touched_between_rebuilds_is_told_with_its_arithmetic():
    finding = continuity(counted("09:02", "11 turn"))
    assert finding.says == (
        "11 turns out now (tech-07); left with 11.5 turns engaged on 2022-05-04. Difference −0.5 turn, tolerance "
        "0.25 turn: the setting was touched between rebuilds, or a turn was lost in counting."
    )


def test_the_first_time_there_is_nothing_to_go_by():
    for earlier in ((), (rebuilt(None),)):
        finding = continuity(counted("09:02", "11 turn"), earlier=earlier)
        assert (finding.subject, finding.verdict) == ("stem", "not_applicable")


def test_a_procedure_that_counts_no_turns_asks_for_none():
    finding = continuity(counted("09:02", "11 turn"), asks={})
    assert (finding.subject, finding.verdict) == ("stem_continuity", "not_applicable")


def test_the_last_rebuild_is_the_one_to_go_by():
    older = rebuilt(StemLeft(Decimal(3), at("10:00", "2018-05-04")), "2018-05-04")
    assert continuity(counted("09:02", "11.5 turn"), earlier=(older, rebuilt())).verdict == "conforming"


def test_a_rebuild_that_left_the_stem_nobody_knows_how_is_not_passed_over():
    finding = continuity(counted("09:02", "9 turn"), earlier=(rebuilt(), rebuilt(None, "2024-05-04")))
    assert finding.verdict == "not_applicable"
    assert finding.says == "The rebuild before does not tell how far the stem was left engaged."


def test_adjustments_recorded_since_are_not_held_against_anybody():
    between = adjusted("12:00", "-1 turn", "2023-01-10"), adjusted("12:00", "0.25 turn", "2024-01-10")
    today = adjusted("08:50", "0.25 turn")
    finding = continuity(today, counted("09:02", "11 turn"), between=between)
    assert finding.verdict == "conforming"
    assert "left with 11.5 turns engaged on 2022-05-04, adjusted by −0.5 since: 11" in finding.says
    assert "adjusted 2023-01-10 12:00" in finding.entries


def test_adjustments_before_it_was_left_or_after_it_was_turned_out_do_not_matter():
    around = adjusted("10:00", "-1 turn", "2022-05-04"), adjusted("12:00", "-1 turn", "2027-01-10")
    other = fact("function.tested", "12:00", {"test": "changeover", "result": "passed"}, day="2024-01-10")
    later_today = adjusted("10:14", "3 turn")
    finding = continuity(counted("09:02", "11.5 turn"), later_today, between=(*around, other))
    assert finding.verdict == "conforming"


def test_an_adjustment_at_the_moment_it_was_left_is_in_what_was_left_and_one_at_the_first_count_came_before_it():
    as_it_was_left = adjusted("10:14", "-1 turn", "2022-05-04")
    assert continuity(counted("09:02", "11.5 turn"), between=(as_it_was_left,)).verdict == "conforming"
    assert continuity(adjusted("09:02", "-1 turn"), counted("09:02", "10.5 turn")).verdict == "conforming"
    same_minute = adjusted("09:02", "-1 turn")
    assert continuity(counted("09:02", "10.5 turn"), between=(same_minute,)).verdict == "conforming"


def test_only_the_first_turning_out_speaks_of_the_time_before():
    finding = continuity(counted("09:02", "11.5 turn"), counted("09:30", "9 turn", "in"), counted("09:40", "9 turn"))
    assert finding.verdict == "conforming"


def test_without_a_count_out_it_is_open():
    assert continuity().verdict == "inconclusive"
    assert continuity(counted("10:05", "11.5 turn", "in")).verdict == "inconclusive"


def test_counts_that_disagree_leave_it_open():
    finding = continuity(counted("09:02", "11.5 turn"), counted("09:03", "11 turn", person="tech-12"))
    assert finding.verdict == "inconclusive"
    assert "recount together" in finding.advice
