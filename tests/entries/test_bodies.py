"""Bodies: one entry, a list, or entries with defaults; and the ids that a file without ids gets."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.api.intake import read_entries
from service.entries.refusals import NotAFact, TooLarge
from service.ledger.admit import ids_of
from tests.ledger.scenario import REBUILD, work

ENVELOPE = {"asset": "AIR1-LB", "rebuild": REBUILD, "by": "ines"}
COUNT = {
    "type": "step.done",
    "occurred_at": "2026-07-14T09:00:00-03:00",
    "data": {"step": 1},
}


def ids(body):
    return ids_of("ferrow", read_entries(body))


def faults(body):
    with pytest.raises(NotAFact) as refused:
        read_entries(body)
    return [(fault.pointer, fault.code) for fault in refused.value.faults]


def test_defaults_are_resolved_before_an_id_is_derived():
    short = {"defaults": ENVELOPE, "entries": work(), "sent_at": "2026-07-14T12:00:00-03:00"}
    long = [{**ENVELOPE, **one} for one in work()]
    assert ids(short) == ids(long)
    assert len(set(ids(short))) == len(work())


def test_an_entry_has_the_id_it_would_have_alone():
    alone = [ids({**ENVELOPE, **one})[0] for one in work()]
    assert ids({"defaults": ENVELOPE, "entries": work()}) == alone


def test_when_a_file_was_sent_is_no_part_of_what_it_says():
    body = {"defaults": ENVELOPE, "entries": work()}
    assert ids({**body, "sent_at": "2026-07-14T12:00:00Z"}) == ids({**body, "sent_at": "2026-07-15T12:00:00Z"})


def test_two_identical_entries_in_one_file_are_two_entries():
    one, two, other = ids([{**ENVELOPE, **COUNT}, {**ENVELOPE, **COUNT}, {**ENVELOPE, **COUNT, "by": "otto"}])
    assert len({one, two, other}) == 3
    assert ids({**ENVELOPE, **COUNT}) == [one]


@settings(max_examples=20)
@given(st.permutations(range(6)), st.lists(st.booleans(), min_size=6, max_size=6))
def test_the_order_of_a_file_changes_no_id(order, doubled):
    entries = [
        {**ENVELOPE, **COUNT, "data": {"step": 1 if twice else step}}
        for step, twice in zip(range(2, 8), doubled, strict=True)
    ]
    assert sorted(ids(entries)) == sorted(ids([entries[place] for place in order]))


def test_only_defaults_fill_in_what_is_left_out():
    body = {
        "defaults": {**ENVELOPE, "occurred_at": COUNT["occurred_at"], "type": "step.done"},
        "entries": [
            {"data": {"step": 1}},
            {"data": {"step": 2}, "by": "otto"},
            {"data": {"step": 3}, "by": None},
        ],
    }
    assert [draft.envelope.by for draft in read_entries(body)] == ["ines", "otto", None]


def test_data_and_ids_cannot_be_defaults():
    body = {"defaults": {"id": REBUILD, "data": {}, "attachments": []}, "entries": [{**ENVELOPE, **COUNT}]}
    assert faults(body) == [
        ("/defaults/attachments", "unknown_member"),
        ("/defaults/data", "unknown_member"),
        ("/defaults/id", "unknown_member"),
    ]


@pytest.mark.parametrize(
    ("body", "expected"),
    [
        ({"entries": [COUNT], "colour": "red"}, [("/colour", "unknown_member")]),
        ({"entries": COUNT}, [("/entries", "wrong_type")]),
        ({"entries": [COUNT], "defaults": []}, [("/defaults", "wrong_type")]),
        ({"entries": [COUNT], "sent_at": "noon"}, [("/sent_at", "not_a_time")]),
        ({"entries": []}, [("/entries", "too_few")]),
        ([], [("", "too_few")]),
        ([[]], [("/0", "wrong_type")]),
        ("note", [("", "wrong_type")]),
    ],
)
def test_a_body_of_another_shape_is_refused(body, expected):
    assert faults(body) == expected


def test_faults_point_into_the_body_as_it_was_sent():
    wrong = {**COUNT, "data": {"step": 0}}
    assert faults({**ENVELOPE, **wrong}) == [("/data/step", "too_small")]
    assert faults([{**ENVELOPE, **COUNT}, {**ENVELOPE, **wrong}]) == [("/1/data/step", "too_small")]
    assert faults({"defaults": ENVELOPE, "entries": [COUNT, wrong, "x"]}) == [
        ("/entries/1/data/step", "too_small"),
        ("/entries/2", "wrong_type"),
    ]


def test_a_post_holds_a_thousand_entries_and_no_more():
    assert len(read_entries([{**ENVELOPE, **COUNT}] * 1_000)) == 1_000
    with pytest.raises(TooLarge):
        read_entries([{**ENVELOPE, **COUNT}] * 1_001)
