"""Every part the kit replaces is new, every part it reuses is back in. Common practice, no published source."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.checks.parts import check
from service.checks.pieces import follow
from tests.checks.building import by_subject, closed, fact, job, opened

KIT = {
    "number": "K40-SG",
    "substitutes": ["K40-SGA"],
    "parts": [
        {"part": "O-ring", "action": "replace", "quantity": 1, "substitutes": ["O-ring, green"]},
        {"part": "spring", "action": "reuse", "quantity": 1},
        {"part": "backup ring", "action": "replace", "quantity": 2},
        {"part": "ball", "action": "reuse", "quantity": 4},
    ],
}


def out(clock, part="O-ring", condition=None, quantity=1):
    data = {"part": part, "quantity": quantity} | ({"condition": condition} if condition else {})
    return fact("part.removed", clock, data)


def new(clock, part="O-ring", quantity=1):
    return fact("part.fitted", clock, {"part": part, "new": True, "quantity": quantity})


def back(clock, part="spring", quantity=1, **more):
    return fact("part.fitted", clock, {"part": part, "new": False, "quantity": quantity, **more})


def judged(*facts, kit="K40-SG", opening=True):
    beginning = [opened(**({"kit": kit} if kit else {}))] if opening else []
    return by_subject(check(job(*beginning, *facts, asks={"kit": KIT})))


def part(name, *facts):
    return judged(*facts)[name]


# --- the kit


@pytest.mark.parametrize(
    ("used", "verdict"),
    [("K40-SG", "conforming"), ("K40-SGA", "conforming"), ("K40-SGB", "nonconforming"), (None, "inconclusive")],
)
def test_the_kit_is_the_procedures_or_a_substitute_it_names(used, verdict):
    finding = judged(kit=used)["kit"]
    assert (finding.verdict, finding.entries) == (verdict, ("rebuild.opened 08:30",))


def test_a_substitute_kit_is_said_to_be_one():
    assert judged(kit="K40-SGA")["kit"].says == "Kit K40-SGA, a substitute that the procedure names for K40-SG."


def test_before_the_opening_has_arrived_the_kit_is_not_known():
    assert judged(opening=False)["kit"].verdict == "inconclusive"


def test_a_procedure_without_a_kit_asks_for_no_parts():
    (finding,) = check(job(opened(), out("09:08"), asks={}))
    assert (finding.subject, finding.verdict) == ("parts", "not_applicable")


# --- to replace


def test_an_old_part_out_and_a_new_one_in_conforms():
    finding = part("O-ring", out("09:08", condition="worn"), new("09:24"))
    assert finding.verdict == "conforming"
    assert finding.says == "1 to replace; taken out 1 (worn), fitted new 1: new in its place."
    assert finding.entries == ("part.removed 09:08", "part.fitted 09:24")


def test_a_part_nobody_recorded_is_inconclusive():
    finding = part("O-ring")
    assert (finding.verdict, finding.counts) == ("inconclusive", True)
    assert "neither taken out nor fitted" in finding.says


def test_an_old_part_put_back_where_a_new_one_belongs_is_nonconforming():
    assert part("O-ring", out("09:08"), back("09:24", "O-ring")).verdict == "nonconforming"
    assert part("O-ring", back("09:24", "O-ring")).verdict == "nonconforming"
    both = part(
        "backup ring",
        out("09:08", "backup ring", quantity=2),
        new("09:24", "backup ring"),
        back("09:25", "backup ring"),
    )
    assert both.verdict == "nonconforming"


def test_an_old_part_put_back_by_mistake_and_replaced_after_all_conforms():
    facts = out("09:08"), back("09:24", "O-ring"), out("09:30"), new("09:31")
    assert part("O-ring", *facts).verdict == "conforming"


def test_a_new_part_without_the_old_one_taken_out_may_have_left_it_in():
    finding = part("O-ring", new("09:24"))
    assert finding.verdict == "inconclusive"
    assert finding.says.endswith("perhaps the old one was left in.")


def test_a_new_part_recorded_before_the_old_one_came_out_is_open():
    finding = part("O-ring", new("09:07"), out("09:08"))
    assert finding.verdict == "inconclusive"
    assert finding.says.endswith("fitted before the old one was taken out by the record.")
    assert part("spring", new("09:07", "spring"), out("09:08", "spring")).verdict == "inconclusive"
    assert (
        part(
            "backup ring", out("09:06", "backup ring"), new("09:07", "backup ring", 2), out("09:08", "backup ring")
        ).verdict
        == "inconclusive"
    )


@pytest.mark.parametrize("ids", [("a", "b"), ("b", "a")])
def test_of_equal_times_the_old_part_came_out_first(ids):
    old, fitted = (fact._replace(id=id_) for fact, id_ in zip((out("09:08"), new("09:08")), ids, strict=True))
    assert part("O-ring", old, fitted).verdict == "conforming"


def test_a_part_fitted_too_early_and_then_done_over_is_settled():
    facts = new("09:07"), out("09:08", quantity=2), new("09:24")
    assert part("O-ring", *facts).verdict == "conforming"


def test_a_new_part_taken_out_again_and_not_replaced_is_missing():
    finding = judged(out("09:08"), new("09:24"), out("09:50", condition="damaged"), closed())["O-ring"]
    assert finding.verdict == "nonconforming"
    assert "1 left out by the record" in finding.says


def test_two_new_parts_where_one_belongs_are_one_too_many():
    finding = part("O-ring", out("09:08"), new("09:24"), new("09:25"))
    assert finding.verdict == "nonconforming"
    assert "2 in place, where 1 belong" in finding.says
    assert part("O-ring", new("09:24", quantity=2)).verdict == "nonconforming"


def test_a_part_taken_out_and_not_replaced_is_open_until_the_rebuild_is_closed():
    assert part("O-ring", out("09:08")).verdict == "inconclusive"
    finding = part("O-ring", out("09:08"), closed())
    assert finding.verdict == "nonconforming"
    assert "1 left out by the record" in finding.says


def test_a_new_part_taken_out_again_and_put_back_is_still_new():
    assert part("O-ring", out("09:08"), new("09:24"), out("09:30"), back("09:31", "O-ring")).verdict == "conforming"


def test_a_new_part_spoiled_while_fitting_and_put_back_is_nonconforming():
    facts = out("09:08"), new("09:24"), out("09:30", condition="damaged"), back("09:31", "O-ring")
    assert part("O-ring", *facts).verdict == "nonconforming"


def test_a_new_part_spoiled_while_fitting_and_replaced_by_another_conforms():
    facts = out("09:08"), new("09:24"), out("09:30", condition="damaged"), new("09:31")
    assert part("O-ring", *facts).verdict == "conforming"


@pytest.mark.parametrize(
    ("removed", "fitted", "ended", "verdict"),
    [
        (2, 2, False, "conforming"),
        (2, 1, False, "inconclusive"),
        (2, 1, True, "nonconforming"),
        (1, 1, True, "inconclusive"),
        (1, 2, True, "inconclusive"),
        (2, 3, False, "nonconforming"),
        (3, 2, False, "conforming"),
    ],
)
def test_every_one_of_several_must_be_replaced(removed, fitted, ended, verdict):
    facts = out("09:08", "backup ring", quantity=removed), new("09:24", "backup ring", quantity=fitted)
    assert part("backup ring", *facts, *([closed()] if ended else [])).verdict == verdict


# --- to reuse


def test_a_part_taken_out_and_put_back_conforms():
    finding = part("spring", out("09:06", "spring", "serviceable"), back("09:21", cleaned=True))
    assert finding.verdict == "conforming"
    assert finding.says == "1 to reuse; taken out 1 (serviceable), put back 1: back in its place."
    assert finding.advice is None


@pytest.mark.parametrize("condition", [None, "serviceable", "worn", "damaged", "missing"])
def test_a_reused_part_may_always_be_replaced_new(condition):
    assert part("spring", out("09:06", "spring", condition), new("09:21", "spring")).verdict == "conforming"


@pytest.mark.parametrize("condition", ["worn", "damaged", "missing"])
def test_a_part_that_came_out_unfit_must_not_go_back(condition):
    finding = part("spring", out("09:06", "spring", condition), back("09:21"))
    assert finding.verdict == "nonconforming"
    assert finding.advice == "Replace it with a new one."


def test_a_part_once_unfit_stays_unfit_though_it_came_out_again_without_a_word():
    facts = out("09:06", "spring", "damaged"), back("09:21"), out("09:22", "spring"), back("09:23")
    assert part("spring", *facts).verdict == "nonconforming"


def test_a_part_never_taken_out_nor_fitted_is_inconclusive():
    assert part("spring").verdict == "inconclusive"


def test_a_part_not_back_yet_is_open_until_the_rebuild_is_closed():
    assert part("spring", out("09:06", "spring")).verdict == "inconclusive"
    assert part("spring", out("09:06", "spring"), closed()).verdict == "nonconforming"


def test_a_part_put_back_twice_is_a_contradiction_not_a_second_part():
    finding = part("spring", out("09:06", "spring"), back("09:21"), back("09:22"))
    assert finding.verdict == "inconclusive"
    assert "1 put back without having been taken out before" in finding.says
    assert part("spring", back("09:21")).verdict == "inconclusive"


def test_a_part_put_back_and_a_new_one_besides_is_one_too_many():
    assert part("spring", out("09:06", "spring"), back("09:21"), new("09:22", "spring")).verdict == "nonconforming"


def test_a_new_part_where_the_old_never_came_out_may_have_left_it_in():
    assert part("spring", new("09:22", "spring")).verdict == "inconclusive"


def test_of_several_the_sound_ones_go_back_and_the_unfit_one_is_replaced():
    apart = out("09:06", "ball", "serviceable", 3), out("09:07", "ball", "damaged")
    assert part("ball", *apart, back("09:21", "ball", 3), new("09:22", "ball")).verdict == "conforming"
    assert part("ball", *apart, back("09:21", "ball", 4)).verdict == "nonconforming"
    assert part("ball", *apart, back("09:21", "ball", 3), closed()).verdict == "nonconforming"


def test_what_comes_out_again_is_what_was_put_back_and_of_that_the_unfit():
    apart = out("09:06", "ball", "worn"), out("09:07", "ball", "serviceable"), back("09:10", "ball", 2)
    mended = out("09:12", "ball"), new("09:13", "ball")
    rest = out("09:14", "ball", "serviceable", 2), back("09:15", "ball", 2)
    assert part("ball", *apart).verdict == "nonconforming"
    pieces = follow(4, [*apart, *mended])
    assert (pieces.untouched, pieces.put_back, pieces.new, pieces.unfit) == (2, 1, 1, 0)
    assert part("ball", *apart, *mended).verdict == "inconclusive"
    assert follow(4, [*apart, *mended, *rest]).unfit == 0


def test_of_several_those_never_taken_out_leave_it_open():
    finding = part("ball", out("09:06", "ball", quantity=3), back("09:21", "ball", 3))
    assert finding.verdict == "inconclusive"
    assert "1 of 4 never taken out" in finding.says


def test_a_part_put_back_uncleaned_is_mentioned_and_no_more():
    finding = part("spring", out("09:06", "spring"), back("09:21", cleaned=False))
    assert finding.verdict == "conforming"
    assert finding.advice == "It went back without having been cleaned."


# --- what is not in the kit


def test_a_part_that_is_not_in_the_kit_is_nonconforming():
    found = judged(out("09:08", "circlip"), new("09:09", "circlip"))
    assert found["circlip"].verdict == "nonconforming"
    assert found["circlip"].says.startswith("taken out 1, fitted new 1: it is not in the kit")
    assert len(found["circlip"].entries) == 2


def test_a_substitute_counts_as_the_part_it_stands_for():
    found = judged(out("09:08"), new("09:24", "O-ring, green"))
    assert set(found) == {"kit", "O-ring", "spring", "backup ring", "ball"}
    assert found["O-ring"].verdict == "conforming"
    assert "fitted new 1 of O-ring, green, its substitute" in found["O-ring"].says


def test_a_substitute_kit_recorded_as_a_part_is_no_stranger():
    assert "K40-SGA" not in judged(new("09:24", "K40-SGA"))


def test_each_part_is_followed_by_itself():
    found = judged(out("09:08"), new("09:24"), out("09:06", "spring"), closed())
    assert (found["O-ring"].verdict, found["spring"].verdict) == ("conforming", "nonconforming")


# --- laws

moves = st.lists(st.tuples(st.sampled_from([out, new, back]), st.integers(1, 3)), max_size=12)


@given(moves, st.integers(1, 4))
def test_pieces_are_neither_made_nor_lost(drawn, quantity):
    facts = [move(f"09:{minute:02}", "O-ring", quantity=many) for minute, (move, many) in enumerate(drawn)]
    pieces = follow(quantity, facts)
    assert pieces.total == pieces.new + pieces.put_back + pieces.untouched
    fitted_new = sum(many for move, many in drawn if move is new)
    everywhere = [*pieces.in_place.items(), *pieces.out.items()]
    assert sum(count for piece, count in everywhere if piece.new) == fitted_new
    assert sum(count for piece, count in everywhere if not piece.new) >= quantity
    assert all(count >= 0 for _, count in everywhere)


@given(moves)
def test_a_part_to_replace_conforms_only_with_nothing_old_in_place(drawn):
    facts = [move(f"09:{minute:02}", "O-ring", quantity=many) for minute, (move, many) in enumerate(drawn)]
    pieces = follow(1, facts)
    conforms = part("O-ring", *facts, closed()).verdict == "conforming"
    assert conforms == (bool(drawn) and pieces.new == 1 and pieces.total == 1 and not pieces.early)


def test_a_part_that_could_be_reused_and_was_replaced_is_new():
    replaced = part("spring", out("09:08", "spring", "worn"), new("09:24", "spring"))
    assert replaced.says == "1 to reuse; taken out 1 (worn), fitted new 1: new in its place."
    some = part("ball", out("09:08", "ball", quantity=4), back("09:20", "ball", 3), new("09:24", "ball"))
    assert some.says.endswith("back in its place, 1 of 4 new.")
