"""Assets: registered, amended under ``If-Match``, listed, read; each change is an entry."""

from __future__ import annotations

from typing import Any

import pytest

from service.api.register_shapes import AssetPage, AssetShape
from tests.api import scenario
from tests.api.desk import Desk, problem
from tests.api.scenario import entry, q


def test_registering_an_asset_writes_an_entry_and_answers_with_the_register(either_desk: Desk) -> None:
    sent = {"tag": "OX2-RB", "kind": "bank_regulator", "gas": "oxygen", "parent": "OX2"}
    answer = either_desk.post("/assets", sent)
    assert answer.status_code == 201
    AssetShape.model_validate(answer.json())
    assert answer.headers["location"] == "/v1/facilities/tidewater/assets/OX2-RB"
    assert answer.json() == sent | {"retired": False, "out_of_service": False, "seq": either_desk.size()}
    written = either_desk.get(f"/entries?after={either_desk.size() - 1}").json()["items"][0]
    assert (written["type"], written["asset"], written["data"]) == ("asset.registered", "OX2-RB", sent)


def test_the_register_keeps_every_member_as_sent(quiet_desk: Desk) -> None:
    shown = quiet_desk.get("/assets/OX2-LB").json()
    assert {name: shown[name] for name in scenario.REGULATOR} == scenario.REGULATOR


@pytest.mark.parametrize(
    ("sent", "status", "faults"),
    [
        ({"kind": "manifold", "gas": "oxygen"}, 422, [("/tag", "missing")]),
        ({"tag": 7, "kind": "manifold", "gas": "oxygen"}, 422, [("/tag", "wrong_type")]),
        ({"tag": "a/b", "kind": "manifold", "gas": "oxygen"}, 422, [("/tag", "not_a_code")]),
        ({"tag": "OX3", "kind": "manifold"}, 422, [("/gas", "missing")]),
        ({"tag": "OX3", "kind": "manifold", "gas": "oxygen", "parent": "OX9"}, 422, [("/parent", "unknown_asset")]),
        ({"tag": "OX3", "kind": "m", "gas": "o", "stem": {"pitch": q("1 bar")}}, 422,
         [("/stem/pitch/unit", "wrong_dimension")]),
        ({"tag": "OX2", "kind": "manifold", "gas": "oxygen"}, 409, [("/tag", "already_registered")]),
        (["OX3"], 422, [("", "wrong_type")]),
    ],
)  # fmt: skip
def test_faults_point_into_the_body_that_was_sent(
    quiet_desk: Desk, sent: Any, status: int, faults: list[tuple[str, str]]
) -> None:
    assert problem(quiet_desk.post("/assets", sent), status) == faults


@pytest.mark.parametrize("tag", ["Ω-links", "left bank, lower?", "50 % & more", "a#b"])
def test_a_tag_may_be_written_as_the_hospital_writes_it(desk: Desk, tag: str) -> None:
    answer = desk.post("/assets", {"tag": tag, "kind": "manifold", "gas": "oxygen"})
    assert answer.status_code == 201, answer.text
    found = desk.call("GET", "/" + answer.headers["location"])
    assert found.json()["tag"] == tag


class TestAmending:
    def test_without_if_match_a_change_is_not_taken(self, quiet_desk: Desk) -> None:
        assert problem(quiet_desk.patch("/assets/OX2", {"location": "Roof"}, None), 428, "unconditional") == []

    def test_with_the_tag_that_was_read_it_is_and_the_answer_has_the_next(self, either_desk: Desk) -> None:
        seen = either_desk.get("/assets/OX2").headers["etag"]
        answer = either_desk.patch("/assets/OX2", {"location": "Roof", "position": None}, seen)
        assert answer.status_code == 200
        assert answer.json()["location"] == "Roof"
        assert answer.headers["etag"] != seen
        assert answer.headers["etag"] == either_desk.get("/assets/OX2").headers["etag"]
        again = either_desk.patch("/assets/OX2", {"location": "Cellar"}, answer.headers["etag"])
        assert again.status_code == 200

    def test_with_an_older_tag_it_is_stale_and_nothing_changes(self, either_desk: Desk) -> None:
        seen = either_desk.get("/assets/OX2").headers["etag"]
        either_desk.patch("/assets/OX2", {"location": "Roof"}, seen)
        assert problem(either_desk.patch("/assets/OX2", {"location": "Cellar"}, seen), 412, "stale") == []
        assert either_desk.get("/assets/OX2").json()["location"] == "Roof"

    @pytest.mark.parametrize("tag", ['"nothing of ours"', "", '"-1"', '"99999999999999999999"', '"²"'])
    def test_a_tag_that_is_not_ours_matches_nothing(self, quiet_desk: Desk, tag: str) -> None:
        answer = quiet_desk.call(
            "PATCH", "/assets/OX2", json={"location": "Roof"}, headers={"If-Match": tag.encode("latin-1", "replace")}
        )
        problem(answer, 412, "stale")

    def test_the_tag_given_at_registration_serves_too(self, desk: Desk) -> None:
        answer = desk.post("/assets", {"tag": "OX3", "kind": "manifold", "gas": "oxygen"})
        assert desk.patch("/assets/OX3", {"location": "Roof"}, answer.headers["etag"]).status_code == 200

    def test_a_star_takes_whatever_stands_there(self, desk: Desk) -> None:
        assert desk.patch("/assets/OX2", {"location": "Roof"}, "*").status_code == 200

    def test_null_takes_a_member_away_and_objects_are_merged(self, desk: Desk) -> None:
        """RFC 7396: the patch names what changes."""
        band = {"delivered_pressure": {"static": None, "flowing": {"high": q("435 kPa")}}}
        shown = desk.patch("/assets/OX2-LB", band, "*").json()
        assert shown["delivered_pressure"] == {
            "point": "regulator outlet",
            "flowing": {"low": q("390 kPa"), "high": q("435 kPa")},
        }

    @pytest.mark.parametrize(
        ("patch", "faults"),
        [
            ({}, [("", "too_few")]),
            ([], [("", "wrong_type")]),
            ({"colour": "red"}, [("/colour", "unknown_member")]),
            ({"gas": None}, [("/gas", "missing")]),
            ({"tag": "OX9"}, [("/tag", "tag_is_fixed")]),
            ({"parent": "OX2-LB"}, [("/parent", "circle")]),
            ({"parent": "OX9"}, [("/parent", "unknown_asset")]),
            ({"stem": {"pitch": {"value": "1", "unit": "bar"}}}, [("/stem/pitch/unit", "wrong_dimension")]),
        ],
    )
    def test_faults_point_into_the_patch(self, quiet_desk: Desk, patch: Any, faults: list[tuple[str, str]]) -> None:
        assert problem(quiet_desk.patch("/assets/OX2", patch, "*"), 422) == faults

    def test_an_unknown_asset_is_not_found_whatever_the_tag(self, quiet_desk: Desk) -> None:
        for tag in ("*", '"3"'):
            problem(quiet_desk.patch("/assets/OX9", {"location": "Roof"}, tag), 404, "unknown_asset")


class TestReading:
    def test_what_the_caller_has_already_is_not_sent_again(self, either_desk: Desk) -> None:
        seen = either_desk.get("/assets/OX2").headers["etag"]
        for known in (seen, f"W/{seen}", f'"other", {seen}', "*"):
            again = either_desk.get("/assets/OX2", headers={"If-None-Match": known})
            assert (again.status_code, again.content, again.headers["etag"]) == (304, b"", seen)
        assert either_desk.get("/assets/OX2", headers={"If-None-Match": '"other"'}).status_code == 200

    def test_going_out_of_service_is_a_new_version_though_no_entry_is_about_the_asset(self, desk: Desk) -> None:
        seen = desk.get("/assets/OX2-LB").headers["etag"]
        away = scenario.HERE
        desk.record(
            entry("rebuild.opened", "08:00:00", **away, procedure="BR-12", revision=1, reason="fault"),
            entry("rebuild.closed", "08:30:00", **away, outcome="left_out_of_service", reason="no kit"),
        )
        answer = desk.get("/assets/OX2-LB", headers={"If-None-Match": seen})
        assert answer.status_code == 200
        assert answer.json()["out_of_service"] is True
        assert desk.patch("/assets/OX2-LB", {"position": "left"}, answer.headers["etag"]).status_code == 200

    def test_the_list_is_walked_to_its_end_without_loss_or_repetition(self, either_desk: Desk) -> None:
        tags = sorted(f"N2-{number:03}" for number in range(23))
        registered = [
            {"type": "asset.registered", "occurred_at": "2026-01-05T09:00:00Z", "asset": tag,
             "data": {"kind": "manifold", "gas": "nitrogen"}}
            for tag in reversed(tags)
        ]  # fmt: skip
        either_desk.record(*registered)
        AssetPage.model_validate(either_desk.get("/assets").json())
        for limit in (1, 5, 23, 200):
            assert [item["tag"] for item in either_desk.walk(f"/assets?gas=nitrogen&limit={limit}")] == tags
        everything = [item["tag"] for item in either_desk.walk("/assets?limit=4")]
        assert sorted(everything) == sorted([*tags, "OX2", "OX2-LB"])

    def test_the_list_narrows_by_kind_gas_and_parent(self, quiet_desk: Desk) -> None:
        for query, tags in (
            ("kind=manifold", ["OX2"]),
            ("gas=oxygen", ["OX2", "OX2-LB"]),
            ("parent=OX2", ["OX2-LB"]),
            ("parent=OX2&kind=manifold", []),
        ):
            assert [item["tag"] for item in quiet_desk.walk(f"/assets?{query}")] == tags

    def test_exchange_and_retirement_show_in_the_register(self, desk: Desk) -> None:
        desk.record(
            entry("asset.exchanged", "12:07:00", asset="OX2-LB", serial_in="B-9001"),
            entry("asset.retired", "12:08:00", asset="OX2-LB"),
        )
        shown = desk.get("/assets/OX2-LB").json()
        assert (shown["serial"], shown["retired"]) == ("B-9001", True)

    def test_an_unknown_tag_is_not_found(self, quiet_desk: Desk) -> None:
        assert problem(quiet_desk.get("/assets/OX9"), 404, "unknown_asset") == []


@pytest.mark.parametrize("path", ["/assets", "/procedures", "/instruments", "/rebuilds", "/due"])
@pytest.mark.parametrize(
    "cursor", ["x", "W10", "Wzld", "WyIwMDBcdTAwMDAiXQ", "WzE4NDQ2NzQ0MDczNzA5NTUxNjE1XQ", "Wy0xXQ", "é"]
)
def test_a_cursor_that_is_not_ours_is_refused(quiet_desk: Desk, path: str, cursor: str) -> None:
    """Among them a number beyond 64 bits and a text with NUL, which no column can hold."""
    answer = quiet_desk.get(path, params={"after": cursor})
    if path == "/rebuilds" and cursor == "Wzld":  # [9]: a cursor like ours
        assert answer.status_code == 200
    else:
        assert problem(answer, 422) == [("/query/after", "not_a_cursor")]
