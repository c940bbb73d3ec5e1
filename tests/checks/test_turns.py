"""The stem goes back in by as many turns as it came out.

No standard gives a turns tolerance or a rule of counting: common practice, no published source. Thread pitches: ISO 261
and ASME B1.1; Δp per turn = k·P/A is plain mechanics, friction ignored.
"""

from decimal import Decimal
from math import pi

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.checks.job import Earlier, StemLeft
from service.checks.pressure_per_turn import pressure_per_turn
from service.checks.turns import check, engaged, settled
from service.entries.asset import AssetRegistered
from tests.checks.building import at, closed, fact, job, opened, q

ASKED = {"tolerance": q("0.25 turn"), "resolution": q("0.25 turn"), "counters": 2}
ALONE = {**ASKED, "counters": 1}
REGISTER = {
    "stem": {"pressure_per_turn": q("90 kPa")},
    "delivered_pressure": {"point": "regulator outlet", "flowing": {"low": q("670 kPa"), "high": q("730 kPa")}},
}


def counted(clock, direction, turns, *people, marks=None, agreed=False, **more):
    data = {"direction": direction, "turns": q(turns if " " in turns else f"{turns} turn")}
    if people:
        data |= {"agreed_by": list(people)} if agreed else {"counted_by": people[0]}
    if marks is not None:
        data["marks_aligned"] = marks
    return fact("turns.counted", clock, data, **more)


def agreed(clock, direction, turns, *people, marks=None):
    return counted(clock, direction, turns, *(people or ("tech-07", "tech-12")), agreed=True, marks=marks)


def as_left(clock, pressure):
    data = {"point": "regulator outlet", "phase": "as_left", "flow": "flowing", "pressure": q(pressure)}
    return fact("pressure.read", clock, data)


def stem(*facts, asked=ALONE, register=REGISTER):
    (finding,) = check(job(opened(), *facts, asks={"turns": asked}, register=register))
    assert finding.subject == "stem"
    return finding


def out_and_in(out, turned_in, marks=None, asked=ALONE, **more):
    return stem(
        counted("09:02", "out", out, marks=marks), counted("10:05", "in", turned_in, marks=marks), asked=asked, **more
    )


# --- the difference


@pytest.mark.parametrize(
    ("turned_in", "verdict"),
    [
        ("11.25", "conforming"),
        ("11.5", "conforming"),
        ("11", "conforming"),
        ("11.51", "nonconforming"),
        ("10.99", "nonconforming"),
    ],
)
def test_the_difference_may_be_the_tolerance_and_no_more(turned_in, verdict):
    assert out_and_in("11.25", turned_in).verdict == verdict


def test_two_who_counted_alike_conform():
    finding = stem(
        counted("09:02", "out", "11.25", "tech-07", marks=True),
        counted("09:02:10", "out", "11.25", "tech-12", marks=True),
        counted("10:05", "in", "11.25", "tech-07", marks=True),
        counted("10:05:10", "in", "11.25", "tech-12", marks=True),
        asked=ASKED,
    )
    assert (finding.verdict, finding.counts) == ("conforming", True)
    assert finding.measured == {"value": "0", "unit": "turn", "si": {"value": "0", "unit": "turn"}}
    assert finding.says == (
        "11.25 turns out (tech-07, tech-12), 11.25 in (tech-07, tech-12): difference 0 turn, tolerance 0.25 turn."
    )
    assert len(finding.entries) == 4


def test_a_procedure_that_counts_no_turns_asks_for_none():
    (finding,) = check(job(opened(), counted("09:02", "out", "11.25")))
    assert (finding.subject, finding.verdict) == ("turns", "not_applicable")


@pytest.mark.parametrize(("lost", "words"), [("10.25", "1 whole turn lost"), ("13.25", "2 whole turns lost")])
def test_a_whole_turn_missing_with_marks_aligned_is_a_miscount(lost, words):
    finding = out_and_in("11.25", lost, marks=True)
    assert finding.verdict == "nonconforming"
    assert f"{words} in counting or on the thread: the pressure decides" in finding.says


def test_a_whole_turn_and_the_tolerance_is_still_a_whole_turn():
    assert out_and_in("11.25", "10", marks=True).verdict == "nonconforming"
    assert out_and_in("11.25", "10.5", marks=True).verdict == "nonconforming"
    assert out_and_in("11.25", "9.99", marks=True).verdict == "inconclusive"


def test_a_fraction_of_a_turn_contradicts_aligned_marks():
    finding = out_and_in("11.25", "11.75", marks=True)
    assert finding.verdict == "inconclusive"
    assert "contradicts the marks" in finding.says


def test_a_fraction_that_would_round_to_no_turn_contradicts_the_marks_too():
    assert out_and_in("11.25", "11.6", marks=True).verdict == "inconclusive"


@pytest.mark.parametrize("marks", [(None, None), (True, None), (None, True), (True, False), (False, False)])
def test_without_marks_aligned_both_ways_any_difference_is_nonconforming(marks):
    before, after = marks
    for turned_in in ("10.25", "11.75"):
        finding = stem(counted("09:02", "out", "11.25", marks=before), counted("10:05", "in", turned_in, marks=after))
        assert finding.verdict == "nonconforming"


def test_marks_that_one_saw_aligned_and_another_did_not_are_not_aligned():
    finding = stem(
        counted("09:02", "out", "11.25", "tech-07", marks=True),
        counted("09:03", "out", "11.25", "tech-12", marks=False),
        counted("10:05", "in", "11.75", "tech-07", marks=True),
    )
    assert finding.verdict == "nonconforming"


# 5¼ turns = 5.25 = 1890° = 31.5 flats
@pytest.mark.parametrize("turned_in", ["5.25 turn", "1890 deg", "31.5 flat"])
def test_degrees_and_flats_are_turns(turned_in):
    finding = out_and_in("5.25", turned_in, asked={"tolerance": q("0 turn")})
    assert (finding.verdict, finding.measured["value"]) == ("conforming", "0")


@given(st.integers(0, 600), st.integers(-40, 40))
def test_flats_and_degrees_are_compared_to_the_last_degree(flats, over):
    # A degree has no last digit in turns, nor has a flat.
    degrees = max(0, 60 * flats + over)
    finding = out_and_in(f"{flats} flat", f"{degrees} deg", asked={"tolerance": q("20 deg")})
    assert finding.verdict == ("conforming" if abs(degrees - 60 * flats) <= 20 else "nonconforming")


# --- who counted


def test_counts_that_disagree_are_inconclusive_and_say_who_counted_what():
    finding = stem(
        counted("09:02", "out", "11.25", "tech-07"), counted("09:03", "out", "11.00", "tech-12"),
        counted("10:05", "in", "11.25", "tech-07"), counted("10:06", "in", "11.25", "tech-12"),
        asked=ASKED,
    )  # fmt: skip
    assert finding.verdict == "inconclusive"
    assert finding.advice == (
        "tech-07 counted 11.25, tech-12 counted 11.00: recount together and record an agreed count, "
        "or correct the wrong entry."
    )


@pytest.mark.parametrize(
    ("other", "resolution", "verdict"),
    [
        ("11.375", "0.25 turn", "conforming"),
        ("11.376", "0.25 turn", "inconclusive"),
        ("11.25", None, "conforming"),
        ("11.26", None, "inconclusive"),
    ],
)
def test_counts_agree_within_half_the_resolution_or_exactly(other, resolution, verdict):
    asked = {"tolerance": q("1 turn"), "counters": 2} | ({"resolution": q(resolution)} if resolution else {})
    finding = stem(
        counted("09:02", "out", "11.25", "tech-07"), counted("09:03", "out", other, "tech-12"),
        agreed("10:05", "in", "11.25"),
        asked=asked,
    )  # fmt: skip
    assert finding.verdict == verdict


def test_an_agreed_count_settles_a_dispute():
    finding = stem(
        counted("09:02", "out", "11.25", "tech-07"), counted("09:03", "out", "11.00", "tech-12"),
        agreed("09:10", "out", "11.25"), agreed("10:05", "in", "11.25"),
        asked=ASKED,
    )  # fmt: skip
    assert finding.verdict == "conforming"
    assert finding.entries == ("turns.counted 09:10", "turns.counted 10:05")


def test_a_later_count_that_contradicts_the_agreed_one_opens_the_dispute_again():
    finding = stem(
        agreed("09:02", "out", "11.25"), counted("09:10", "out", "11.00", "tech-12"), agreed("10:05", "in", "11.25"),
        asked=ASKED,
    )  # fmt: skip
    assert finding.verdict == "inconclusive"
    assert "tech-07 and tech-12 agreed 11.25, tech-12 counted 11.00" in finding.says


def test_a_later_count_that_bears_out_the_agreed_one_changes_nothing():
    finding = stem(
        agreed("09:02", "out", "11.25"), counted("09:10", "out", "11.25", "tech-12"), agreed("10:05", "in", "11.25"),
        asked=ASKED,
    )  # fmt: skip
    assert finding.verdict == "conforming"


def test_a_count_at_the_same_time_as_the_agreed_one_was_what_they_settled():
    finding = stem(
        counted("09:02", "out", "11.00", "tech-12", id="a count"), agreed("09:02", "out", "11.25"),
        agreed("10:05", "in", "11.25"),
        asked=ASKED,
    )  # fmt: skip
    assert finding.verdict == "conforming"
    assert finding.says.startswith("11.25 turns out (tech-07 and tech-12), 11.25 in (tech-07 and tech-12)")


def test_the_marks_are_as_those_saw_them_who_agreed_else_as_anybody_did():
    first, again = counted("09:02", "out", "11.00", "tech-12", marks=False), counted("10:05", "in", "11.75", marks=True)
    seen = agreed("09:10", "out", "11.25", marks=True)
    assert stem(first, seen, again).verdict == "inconclusive"
    untold = agreed("09:10", "out", "11.25")
    finding = stem(first, untold, again)
    assert finding.verdict == "nonconforming"
    assert "the marks were not aligned both ways" in finding.says
    assert "not told to be aligned" in stem(untold, again).says


def test_the_latest_agreed_count_stands():
    finding = stem(
        agreed("09:02", "out", "12.25"), agreed("09:10", "out", "11.25"), agreed("10:05", "in", "11.25"), asked=ASKED
    )
    assert finding.verdict == "conforming"


def test_fewer_who_agreed_than_were_asked_are_so_many_counts():
    three = {**ASKED, "counters": 3}
    both = [agreed("09:02", "out", "11.25"), agreed("10:05", "in", "11.25")]
    assert stem(*both, asked=three).verdict == "inconclusive"
    third = [counted("09:03", "out", "11.25", "tech-15"), counted("10:06", "in", "11.25", "tech-15")]
    assert stem(*both, *third, asked=three).verdict == "conforming"


def test_one_person_is_not_two_however_often_they_count():
    finding = stem(
        counted("09:02", "out", "11.25", "tech-07"), counted("09:03", "out", "11.25", "tech-07"),
        agreed("10:05", "in", "11.25"),
        asked=ASKED,
    )  # fmt: skip
    assert finding.verdict == "inconclusive"
    assert "the procedure asks for 2 people to count" in finding.says
    assert finding.advice == "Have 1 more count, or record a count agreed by 2."


def test_a_count_without_a_name_is_the_recorders():
    mine, theirs = counted("09:02", "out", "11.25", by="tech-07"), counted("09:03", "out", "11.25", by="tech-12")
    assert stem(mine, theirs, agreed("10:05", "in", "11.25"), asked=ASKED).verdict == "conforming"
    nobody = counted("09:03", "out", "11.25", by=None)
    assert stem(mine, nobody, agreed("10:05", "in", "11.25"), asked=ASKED).verdict == "inconclusive"


def test_a_count_by_nobody_at_all_is_enough_where_one_person_counts():
    assert stem(counted("09:02", "out", "5", by=None), counted("10:05", "in", "5", by=None)).verdict == "conforming"


# --- what is missing


def test_no_count_at_all_is_inconclusive():
    assert stem().verdict == "inconclusive"


def test_a_stem_still_out_is_not_turned_back_in_yet():
    finding = stem(counted("09:02", "out", "11.25"))
    assert finding.verdict == "inconclusive"
    assert "not turned back in yet" in finding.says


def test_a_closed_rebuild_without_turns_in_says_so():
    finding = stem(counted("09:02", "out", "11.25"), closed())
    assert finding.verdict == "inconclusive"
    assert "no turns in recorded" in finding.says


def test_turns_in_without_turns_out_have_nothing_to_be_compared_with():
    finding = stem(counted("10:05", "in", "11.25"))
    assert finding.verdict == "inconclusive"
    assert "Turns out: none recorded" in finding.says


# --- more than once out and in


def test_the_last_time_out_and_in_decides_and_the_earlier_is_told():
    finding = stem(
        counted("09:02", "out", "11.25"), counted("09:30", "in", "9.25"),
        counted("09:40", "out", "9.25"), counted("10:05", "in", "9.25"),
    )  # fmt: skip
    assert finding.verdict == "conforming"
    assert finding.says.endswith("Before that: 11.25 out, 9.25 in.")


def test_a_stem_turned_out_again_and_not_counted_in_is_open():
    finding = stem(counted("09:02", "out", "11.25"), counted("09:30", "in", "11.25"), counted("09:40", "out", "11.25"))
    assert finding.verdict == "inconclusive"
    assert "Before that: 11.25 out, 11.25 in." in finding.says


# --- the delivered pressure


def test_a_difference_tells_what_it_does_to_the_delivered_pressure():
    finding = out_and_in("11.25", "10.25", marks=True)
    assert "That is about −90.0 kPa delivered (90 kPa per turn as registered)." in finding.says
    assert "+45.0 kPa" in out_and_in("11.25", "11.75").says
    assert "kPa" not in out_and_in("11.25", "11.75", register=None).says


@pytest.mark.parametrize(("out", "turned_in"), [("11.25", "10.25"), ("11.25", "11.75")])
def test_once_the_pressure_was_set_and_read_in_band_a_difference_is_noted_only(out, turned_in):
    both = counted("09:02", "out", out, marks=True), counted("10:05", "in", turned_in, marks=True)
    assert stem(*both).counts
    finding = stem(*both, as_left("11:20", "690.0 kPa"))
    assert not finding.counts
    assert finding.verdict != "conforming"
    assert finding.says.endswith("noted, it no longer counts.")


@pytest.mark.parametrize(
    "reading", [as_left("11:20", "740 kPa"), as_left("10:00", "690 kPa"), as_left("10:05", "690 kPa")]
)
def test_a_pressure_out_of_band_or_read_before_the_count_settles_nothing(reading):
    assert stem(counted("09:02", "out", "11.25"), counted("10:05", "in", "10.25"), reading).counts


def test_a_pressure_in_band_settles_no_stem_that_is_still_out():
    assert stem(counted("09:02", "out", "11.25"), as_left("11:20", "690 kPa")).counts


def test_counts_in_dispute_no_longer_count_once_the_pressure_is_in_band():
    both = counted("10:05", "in", "11.25", "tech-07"), counted("10:06", "in", "11.00", "tech-12")
    assert not stem(agreed("09:02", "out", "11.25"), *both, as_left("11:20", "690 kPa"), asked=ASKED).counts


# Pitches: ASME B1.1 (3/8-24 is 1.058333 mm). k·P/A in kPa, arithmetic.
@pytest.mark.parametrize(
    ("rate", "pitch", "diameter_mm", "kpa"),
    [("120 N/mm", "1 mm", 40, "95.493"), ("35 N/mm", "1.058333 mm", 50.8, "18.276")],
)
def test_a_spring_pitch_and_area_tell_what_a_turn_does(rate, pitch, diameter_mm, kpa):
    area = f"{pi * diameter_mm**2 / 4:.9f} mm2"
    known = {"spring_rate": q(rate), "pitch": q(pitch), "area": q(area)}
    register = AssetRegistered.model_validate({"kind": "bank_regulator", "gas": "oxygen", "stem": known})
    per_turn = pressure_per_turn(register)
    assert per_turn.kpa == pytest.approx(Decimal(kpa), abs=Decimal("0.0005"))
    assert "friction ignored" in per_turn.says


@pytest.mark.parametrize(
    "known",
    [
        None,
        {},
        {"pitch": q("1 mm"), "spring_rate": q("120 N/mm")},
        {"pitch": q("1 mm"), "spring_rate": q("1 N/mm"), "area": q("0 mm2")},
    ],
)
def test_too_little_known_about_a_stem_tells_nothing_about_a_turn(known):
    register = {"kind": "bank_regulator", "gas": "oxygen"} | ({"stem": known} if known is not None else {})
    assert pressure_per_turn(AssetRegistered.model_validate(register)) is None


def test_what_is_computed_comes_before_what_is_registered():
    known = {"pressure_per_turn": q("90 kPa"), "spring_rate": q("120 N/mm"), "pitch": q("1 mm"), "area": q("1256 mm2")}
    register = AssetRegistered.model_validate({"kind": "bank_regulator", "gas": "oxygen", "stem": known})
    assert pressure_per_turn(register).known_from == "spring"
    del known["area"]
    register = AssetRegistered.model_validate({"kind": "bank_regulator", "gas": "oxygen", "stem": known})
    assert pressure_per_turn(register).says == "90 kPa per turn as registered"


# --- how the stem is left


def adjusted(clock, turns, **more):
    return fact("setting.adjusted", clock, {"turns": q(turns)}, **more)


def left(*facts, asked=ALONE):
    return engaged(job(opened(), *facts, asks={"turns": asked}))


def test_the_stem_is_left_engaged_by_its_turns_in_and_what_it_was_adjusted_by():
    as_left = left(
        counted("09:02", "out", "11.25"), counted("10:05", "in", "11.25"), adjusted("10:14", "0.25 turn"),
        adjusted("10:20", "-30 deg"),
    )  # fmt: skip
    assert as_left.turns == pytest.approx(Decimal("11.5") - Decimal(1) / 12, abs=Decimal("1e-20"))
    assert as_left.at == at("10:20")
    assert as_left.entries == ("turns.counted 10:05", "setting.adjusted 10:14", "setting.adjusted 10:20")


def test_an_adjustment_at_the_time_of_the_count_comes_after_it():
    assert left(counted("10:05", "in", "11"), adjusted("10:05", "0.5 turn")).turns == Decimal("11.5")


def test_an_adjustment_before_the_last_count_is_in_the_count():
    as_left = left(adjusted("08:50", "1 turn"), counted("09:02", "out", "11"), counted("10:05", "in", "11"))
    assert (as_left.turns, as_left.at) == (11, at("10:05"))


@pytest.mark.parametrize(
    "facts",
    [
        (),
        (counted("09:02", "out", "11.25"),),
        (counted("09:02", "in", "11.25"), counted("09:03", "out", "11.25")),
        (counted("10:05", "in", "11.25", "tech-07"), counted("10:06", "in", "11.00", "tech-12")),
    ],
)
def test_a_stem_out_or_in_dispute_is_left_nowhere_known(facts):
    assert left(*facts) is None


LEFT = StemLeft(Decimal("11.5"), at("10:14", "2022-05-04"), ("turns in",))
BEFORE = Earlier("an earlier rebuild", at("08:30", "2022-05-04"), LEFT)
PART = fact("part.removed", "09:10", {"part": "seat"})
OUTSIDE = [
    adjusted("12:00", turns, day=f"202{year}-01-10", id=f"outside 202{year}")
    for turns, year in (("4 turn", 1), ("-1 turn", 3))
]


def test_a_rebuild_in_which_nobody_turned_the_stem_leaves_it_as_the_one_before_did():
    carried = {"earlier": (BEFORE,), "between": OUTSIDE}
    assert engaged(job(opened(), PART, **carried)) == LEFT
    assert engaged(job(opened(), asks={"turns": ALONE}, **carried)) == LEFT
    as_left = engaged(job(opened(), PART, adjusted("10:14", "0.25 turn"), **carried))
    assert (as_left.turns, as_left.at) == (Decimal("10.75"), at("10:14"))  # 11.5 − 1 outside + 0.25 in it
    assert as_left.entries == ("turns in", OUTSIDE[1].id, "setting.adjusted 10:14")


def test_parts_handled_by_a_procedure_that_wants_turns_counted_may_have_moved_the_stem():
    assert engaged(job(opened(), PART, asks={"turns": ALONE}, earlier=(BEFORE,))) is None


def test_a_count_is_kept_even_by_a_procedure_that_asks_for_none():
    assert engaged(job(opened(), counted("10:05", "in", "11.25"))).turns == Decimal("11.25")


def test_each_direction_can_be_asked_for():
    one_way = job(opened(), counted("09:02", "out", "11.25"), asks={"turns": ALONE})
    assert settled(one_way, "out").turns == Decimal("11.25")
    assert settled(one_way, "in") is None


@given(st.permutations([("09:02", "out"), ("09:02:10", "out"), ("10:05", "in"), ("10:05:10", "in")]))
def test_the_order_of_arrival_changes_nothing(order):
    people = {"09:02": "tech-07", "09:02:10": "tech-12", "10:05": "tech-07", "10:05:10": "tech-12"}
    facts = [counted(clock, way, "11.25", people[clock]) for clock, way in order]
    assert stem(*facts, asked=ASKED).verdict == "conforming"


def test_one_person_written_in_two_ways_is_one_counter():
    twice = (counted("09:02", "out", "11.25", "tech-07"), counted("09:03", "out", "11.25", "TECH-07"))
    finding = stem(*twice, counted("10:05", "in", "11.25", "tech-07"), asked=ASKED)
    assert finding.verdict == "inconclusive"
    assert "the procedure asks for 2 people to count" in finding.says
    together = agreed("09:02", "out", "11.25", "tech-07", "Tech-07"), agreed("10:05", "in", "11.25")
    assert stem(*together, asked=ASKED).verdict == "inconclusive"


# --- whatever can be recorded can be judged

LONGEST = ["0", "0.000000000000000001", "999999999999999999", "123456789.123456789"]


@given(st.lists(st.sampled_from(LONGEST), min_size=4, max_size=4), st.sampled_from(["turn", "deg", "flat"]))
def test_numbers_as_long_as_we_take_them_are_judged_all_the_same(numbers, unit):
    out, turned_in, per_turn, further = numbers
    facts = counted("09:02", "out", f"{out} {unit}"), counted("10:05", "in", f"{turned_in} turn")
    register = {"stem": {"pressure_per_turn": q(f"{per_turn} atm")}}
    finding = stem(*facts, register=register)
    assert (finding.verdict == "conforming") == (abs(Decimal(finding.measured["value"])) <= Decimal("0.25"))
    assert left(*facts, adjusted("10:14", f"-{further} {unit}")) is not None
