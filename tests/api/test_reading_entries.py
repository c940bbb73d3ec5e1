"""``GET /entries``: what was recorded, as it was recorded, a page at a time."""

from __future__ import annotations

import pytest

from service.api.shapes import EntryPage
from service.merkle import tree
from service.merkle.canonical import canonical
from tests.api import scenario
from tests.api.desk import Desk, problem
from tests.api.scenario import HERE, REBUILD, entry, q


@pytest.mark.parametrize("limit", [1, 7, 200])
def test_every_entry_comes_once_and_in_order_whatever_the_page(either_desk: Desk, limit: int) -> None:
    either_desk.post("/entries", scenario.BODY)
    seqs = [item["seq"] for item in either_desk.walk(f"/entries?limit={limit}")]
    assert seqs == list(range(1, either_desk.size() + 1))


def test_an_entry_is_shown_as_it_was_sent_with_what_the_server_adds(desk: Desk) -> None:
    sent = next(one for one in scenario.BESIDE if one["type"] == "note.added")
    accepted = desk.record(sent)["accepted"][0]
    page = desk.get(f"/entries?after={accepted['seq'] - 1}").json()
    EntryPage.model_validate(page)
    shown = page["items"][0]
    assert {name: shown[name] for name in sent} == sent
    assert shown["facility"] == desk.facility
    assert shown["recorded_at"] == "2026-06-01T12:00:00.000000Z"
    assert shown["credential"].startswith("t-"), "which token, not its secret"
    assert shown["leaf_hash"] == accepted["leaf_hash"]


def test_the_leaf_hash_is_that_of_the_entry_without_what_stands_beside_it(desk: Desk) -> None:
    for shown in desk.get("/entries").json()["items"]:
        leaf_hash, _ = shown.pop("leaf_hash"), shown.pop("corrected_by")
        assert tree.leaf_hash(canonical(shown)).hex() == leaf_hash


def test_the_first_entry_of_all_opens_the_facility(empty_desk: Desk) -> None:
    first = empty_desk.get("/entries").json()["items"][0]
    assert (first["seq"], first["type"], first["credential"]) == (1, "facility.opened", "server")
    assert first["data"] == scenario.FACILITY


def test_a_correction_is_named_beside_the_entry_it_corrects(desk: Desk) -> None:
    torque = entry("torque.applied", "09:30:00", **HERE, joint="bonnet", torque=q("440 ft.lbf"))
    wrong = desk.record(torque)["accepted"][0]
    right = {"data": torque["data"] | {"torque": q("44.0 ft.lbf")}}
    told = entry("entry.corrected", "09:31:00", entry=wrong["id"], reason="a point left out", replacement=right)
    correction = desk.record(told)["accepted"][0]
    shown = desk.get(f"/entries?after={wrong['seq'] - 1}&limit=1").json()["items"][0]
    assert shown["corrected_by"] == [correction["id"]]
    assert shown["data"]["torque"] == q("440 ft.lbf"), "the original stays readable"


def test_the_list_narrows_to_a_rebuild_an_asset_or_a_type(desk: Desk) -> None:
    desk.post("/entries", scenario.BODY)
    mine = desk.walk(f"/entries?rebuild={REBUILD}&limit=9")
    assert {item["rebuild"] for item in mine} == {REBUILD}
    assert mine[-1]["type"] == "rebuild.judged"
    assert len(desk.walk("/entries?type=torque.applied&limit=2")) == 3
    assert {item["asset"] for item in desk.walk("/entries?asset=OX2")} == {"OX2"}
    both = desk.walk(f"/entries?rebuild={REBUILD}&type=turns.counted&asset=OX2-LB")
    assert {item["type"] for item in both} == {"turns.counted"}
    assert desk.walk("/entries?type=torque.guessed") == []


@pytest.mark.parametrize(
    ("query", "where"),
    [
        ("limit=0", "/query/limit"),
        ("limit=201", "/query/limit"),
        ("limit=ten", "/query/limit"),
        ("after=-1", "/query/after"),
        ("after=9999999999999999999999", "/query/after"),
    ],
)
def test_a_page_that_cannot_be_is_refused(quiet_desk: Desk, query: str, where: str) -> None:
    assert [pointer for pointer, _ in problem(quiet_desk.get(f"/entries?{query}"), 422)] == [where]


def test_after_the_last_entry_there_is_nothing_and_no_next_page(quiet_desk: Desk) -> None:
    answer = quiet_desk.get(f"/entries?after={quiet_desk.size()}")
    assert answer.json() == {"items": [], "next": None}
    assert "link" not in answer.headers
