"""``POST /entries``: what is taken, what is answered, and that it is all of it or nothing."""

from __future__ import annotations

import copy
from typing import Any

import pytest

from service.api.shapes import ReceiptShape
from service.entries.catalogue import ENTRY_TYPES
from service.merkle import tree
from tests.api import scenario
from tests.api.desk import Desk, problem
from tests.api.scenario import HERE, REBUILD, entry, q

NOTE = entry("note.added", "12:00:00", **HERE, text="Seat land lightly scored")
TORQUE = entry("torque.applied", "09:30:00", **HERE, joint="bonnet", torque=q("44.0 ft.lbf"), instrument="TW-21")


def test_a_field_record_is_taken_and_judged_in_one_answer(either_desk: Desk) -> None:
    answer = either_desk.post("/entries", scenario.BODY)
    assert answer.status_code == 201
    receipt = ReceiptShape.model_validate(answer.json())
    assert [one.replayed for one in receipt.accepted] == [False] * len(scenario.WORK)
    seqs = [one.seq for one in receipt.accepted]
    assert seqs == list(range(seqs[0], seqs[0] + len(seqs)))
    assert receipt.rebuilds[0].model_dump() == {"id": REBUILD, "state": "closed", "verdict": "conforming"}
    seat = {"rebuild": REBUILD, "check": "torque", "subject": "seat", "verdict": "conforming"}
    assert seat in answer.json()["findings"]
    assert receipt.size == either_desk.size() == seqs[-1] + 1, "the server's own judgement is an entry too"


def test_the_same_file_without_ids_posted_twice_changes_nothing(either_desk: Desk) -> None:
    first = either_desk.post("/entries", scenario.BODY).json()
    again = either_desk.post("/entries", scenario.BODY)
    assert again.status_code == 200
    assert [one["seq"] for one in again.json()["accepted"]] == [one["seq"] for one in first["accepted"]]
    assert {one["replayed"] for one in again.json()["accepted"]} == {True}
    assert (again.json()["size"], again.json()["root"]) == (first["size"], first["root"])
    assert again.json()["rebuilds"] == first["rebuilds"], "a caller who missed the answer asks by sending again"


def test_a_file_that_has_grown_adds_only_what_is_new(desk: Desk) -> None:
    desk.record(NOTE)
    answer = desk.post("/entries", [NOTE, TORQUE])
    assert answer.status_code == 201
    assert [one["replayed"] for one in answer.json()["accepted"]] == [True, False]


def test_two_identical_notes_in_one_file_are_two_notes(desk: Desk) -> None:
    accepted = desk.record(NOTE, NOTE)["accepted"]
    assert accepted[0]["id"] != accepted[1]["id"]
    assert desk.post("/entries", [NOTE, NOTE]).status_code == 200


def test_an_id_with_the_same_content_answers_as_before(desk: Desk) -> None:
    mine = NOTE | {"id": "01991234-0000-7000-8000-0000000000aa"}
    first = desk.record(mine)["accepted"][0]
    again = desk.post("/entries", mine)
    assert again.status_code == 200
    assert again.json()["accepted"] == [first | {"replayed": True}]


def test_an_id_with_other_content_is_a_conflict_that_points_at_it(either_desk: Desk) -> None:
    mine = NOTE | {"id": "01991234-0000-7000-8000-0000000000aa"}
    either_desk.record(mine)
    size = either_desk.size()
    other = copy.deepcopy(mine)
    other["data"]["text"] = "Seat land deeply scored"
    assert problem(either_desk.post("/entries", [TORQUE, other]), 409, "id_taken") == [("/1/id", "id_taken")]
    assert either_desk.size() == size, "nothing of it is recorded, the good one neither"


def test_one_id_twice_in_a_body_with_other_content_is_a_conflict(desk: Desk) -> None:
    mine = NOTE | {"id": "01991234-0000-7000-8000-0000000000aa"}
    assert problem(desk.post("/entries", [mine, mine | {"by": "tech-03"}]), 409) == [("/1/id", "id_taken")]
    assert desk.post("/entries", [mine, mine]).status_code == 201


def test_digits_are_kept_as_sent_whether_as_text_or_as_a_number(desk: Desk) -> None:
    body = b"""{"type": "torque.applied", "occurred_at": "2026-03-11T09:30:00+13:00", "asset": "OX2-LB",
      "rebuild": "%s", "data": {"joint": "bonnet", "torque": {"value": 36.0, "unit": "Nm"}}}""" % REBUILD.encode()
    receipt = desk.post("/entries", content=body, headers={"Content-Type": "application/json"}).json()
    seq = receipt["accepted"][0]["seq"]
    recorded = desk.get(f"/entries?after={seq - 1}").json()["items"][0]
    assert recorded["data"]["torque"] == {"value": "36.0", "unit": "Nm"}


def test_the_receipt_proves_itself_against_what_can_be_read_back(desk: Desk) -> None:
    """Leaf hashes and root, made again here from the entries as they are read (RFC 9162 section 2.1)."""
    receipt = desk.post("/entries", scenario.BODY).json()
    items = desk.get("/entries?limit=200").json()["items"]
    leaves = [bytes.fromhex(item["leaf_hash"]) for item in items]
    assert [item["leaf_hash"] for item in items if item["id"] == receipt["accepted"][3]["id"]] == [
        receipt["accepted"][3]["leaf_hash"]
    ]
    assert tree.root(tree.append(tree.read_edge(0, lambda _: {}), leaves).edge).hex() == receipt["root"]


class TestTheThreeBodies:
    def test_a_single_entry_a_list_and_a_wrapped_list_say_the_same(self, desk: Desk) -> None:
        single = desk.post("/entries", NOTE)
        assert single.status_code == 201
        assert desk.post("/entries", [NOTE]).json()["accepted"][0]["replayed"]
        wrapped = {"entries": [NOTE], "sent_at": "2026-03-11T12:00:00+13:00"}
        assert desk.post("/entries", wrapped).json()["accepted"][0]["id"] == single.json()["accepted"][0]["id"]

    def test_defaults_fill_in_what_is_left_out_and_nothing_else(self, desk: Desk) -> None:
        bare = entry("note.added", "12:00:00", text="left bank")
        own = entry("note.added", "12:01:00", text="by another", by="tech-05")
        taken = desk.post("/entries", {"defaults": HERE | {"by": "tech-03"}, "entries": [bare, own]}).json()["accepted"]
        recorded = desk.get(f"/entries?after={taken[0]['seq'] - 1}").json()["items"]
        assert [one["by"] for one in recorded] == ["tech-03", "tech-05"], "what the entry says wins"
        assert {one["asset"] for one in recorded} == {"OX2-LB"}

    def test_a_default_may_give_type_and_time(self, desk: Desk) -> None:
        defaults = HERE | {"type": "note.added", "occurred_at": "2026-03-11T12:00:00+13:00", "v": 1}
        assert desk.post("/entries", {"defaults": defaults, "entries": [{"data": {"text": "x"}}]}).status_code == 201

    @pytest.mark.parametrize("name", ["id", "data", "attachments", "colour"])
    def test_what_makes_an_entry_its_own_is_no_default(self, desk: Desk, name: str) -> None:
        answer = desk.post("/entries", {"defaults": HERE | {name: {}}, "entries": [NOTE]})
        assert problem(answer, 422) == [(f"/defaults/{name}", "unknown_member")]

    @pytest.mark.parametrize(
        ("body", "faults"),
        [
            ([], [("", "too_few")]),
            ({"entries": []}, [("/entries", "too_few")]),
            ({"entries": {}}, [("/entries", "wrong_type")]),
            ({"entries": [NOTE], "defaults": []}, [("/defaults", "wrong_type")]),
            ({"entries": [NOTE], "extra": 1}, [("/extra", "unknown_member")]),
            ({"entries": [NOTE], "sent_at": "noon"}, [("/sent_at", "not_a_time")]),
            ("a text", [("", "wrong_type")]),
            ([NOTE, 7], [("/1", "wrong_type")]),
            ({}, [("/type", "missing"), ("/occurred_at", "missing")]),
        ],
    )
    def test_a_body_of_another_shape_is_refused_where_it_goes_wrong(
        self, desk: Desk, body: Any, faults: list[tuple[str, str]]
    ) -> None:
        assert problem(desk.post("/entries", body), 422) == faults


def test_all_that_is_wrong_is_told_at_once_and_nothing_is_recorded(desk: Desk) -> None:
    size = desk.size()
    bad_unit = copy.deepcopy(TORQUE)
    bad_unit["data"]["torque"]["unit"] = "kPa"
    answer = desk.post("/entries", {"entries": [NOTE, TORQUE, NOTE, bad_unit, NOTE | {"colour": "red"}]})
    assert problem(answer, 422) == [
        ("/entries/3/data/torque/unit", "wrong_dimension"),
        ("/entries/4/colour", "unknown_member"),
    ]
    assert desk.size() == size


def test_whatever_the_catalogue_knows_can_be_recorded(desk: Desk) -> None:
    desk.record(*({**scenario.DEFAULTS, **one} for one in scenario.WORK))
    for one in scenario.BESIDE:
        desk.record(one)
    recorded, after = set(), 0
    while after is not None:
        page = desk.get(f"/entries?after={after}&limit=50").json()
        recorded |= {item["type"] for item in page["items"]}
        after = page["next"]
    assert recorded == set(ENTRY_TYPES) - {"ledger.restored"}, "that one comes when a backup was put back: tests/log"
