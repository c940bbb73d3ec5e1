"""Bytes in: what JSON allows but a ledger cannot keep, what is not JSON at all, and what is simply too much."""

from __future__ import annotations

import json

import httpx
import pytest

from tests.api.desk import Desk, problem, running
from tests.api.scenario import HERE, REBUILD, entry, q

NOTE = entry("note.added", "12:00:00", **HERE, text="x")
JSON = {"Content-Type": "application/json"}


def send(desk: Desk, body: bytes, path: str = "/entries", **headers: str) -> httpx.Response:
    return desk.post(path, content=body, headers=JSON | headers)


def torque(value: str) -> bytes:
    """A torque entry with the bytes of its value as they stand."""
    sent = entry("torque.applied", "09:30:00", **HERE, joint="bonnet", torque=q("0 N.m"))
    return json.dumps(sent).replace('"0"', value).encode()


DEEP = b'{"a":' * 5000 + b"1" + b"}" * 5000
UNREADABLE = {
    "nothing": (b"", "", "not_json"),
    "half a body": (b'{"type": "note.added"', "", "not_json"),
    "a form": (b"type=note.added", "", "not_json"),
    "two values": (b"{} {}", "", "not_json"),
    "NaN": (torque("NaN"), "/data/torque/value", "not_a_number"),
    "infinity": (torque("-Infinity"), "/data/torque/value", "not_a_number"),
    "a member twice": (
        b'[{"type": "note.added", "data": {"text": "a", "text": "b"}}]',
        "/0/data/text",
        "duplicate_key",
    ),
    "half a surrogate pair": (rb'{"data": {"text": "\ud800"}}', "/data/text", "lone_surrogate"),
    "half a surrogate pair as a name twice": (
        rb'{"data": {"\udc00": 1, "\udc00": 2}}',
        "/data",
        "lone_surrogate",
    ),
    "half a surrogate pair as a name": (rb'{"data": {"\udc00": 1}}', "/data", "lone_surrogate"),
    "Latin-1": ('{"data": {"text": "20 °C"}}'.encode("latin-1"), "", "not_utf8"),
    "UTF-16": (json.dumps(NOTE).encode("utf-16"), "", "not_utf8"),
    "five thousand levels": (DEEP, "", "not_json"),
    "a number of five thousand digits": (torque("9" * 5000), "", "not_json"),
}


@pytest.mark.parametrize(("body", "where", "code"), UNREADABLE.values(), ids=UNREADABLE)
def test_a_body_that_no_ledger_can_keep_is_unreadable(quiet_desk: Desk, body: bytes, where: str, code: str) -> None:
    size = quiet_desk.size()
    assert problem(send(quiet_desk, body), 400, "unreadable") == [(where, code)]
    assert problem(send(quiet_desk, body, "/assets"), 400, "unreadable") == [(where, code)]
    assert quiet_desk.size() == size


@pytest.mark.parametrize(
    ("body", "where", "code"),
    [
        (torque("1e999"), "/data/torque/value", "too_many_digits"),
        (torque("1e9999"), "/data/torque/value", "not_a_number"),
        (torque("9" * 400), "/data/torque/value", "not_a_number"),
        (torque("1.0000000000000000001"), "/data/torque/value", "too_many_digits"),
        (torque("true"), "/data/torque/value", "not_a_number"),
        (torque("null"), "/data/torque/value", "not_a_number"),
        (torque("[]"), "/data/torque/value", "not_a_number"),
    ],
)
def test_a_number_beyond_what_can_be_read_off_a_gauge_is_refused(
    quiet_desk: Desk, body: bytes, where: str, code: str
) -> None:
    assert problem(send(quiet_desk, body), 422) == [(where, code)]


@pytest.mark.parametrize(
    ("text", "where"),
    [("text", "/data/text"), ("by", "/by"), ("asset", "/asset")],
)
def test_the_nul_character_stands_in_no_text(quiet_desk: Desk, text: str, where: str) -> None:
    body = json.dumps(entry("note.added", "12:00:00", **HERE | {"text": "ok"} | {text: "a\0b"})).encode()
    assert [pointer for pointer, _ in problem(send(quiet_desk, body), 422)] == [where]


def test_nul_and_huge_integers_are_found_in_what_a_correction_quotes(quiet_desk: Desk) -> None:
    """A correction may come before its target, so what it quotes is not yet read by any model."""
    for quoted, code in (({"text": "a\0b"}, "nul"), ({"text": 2**60}, "too_many_digits")):
        sent = entry("entry.corrected", "12:00:00", entry=REBUILD, reason="x", replacement={"data": quoted})
        assert problem(quiet_desk.post("/entries", sent), 422) == [("/data/replacement/data/text", code)]


@pytest.mark.parametrize("levels", [100, 150, 190, 196, 199, 240, 1000])
def test_nesting_is_recorded_or_refused_but_never_a_fault_of_the_service(desk: Desk, levels: int) -> None:
    deep = "[" * levels + "]" * levels
    sent = entry("entry.corrected", "12:00:00", entry=REBUILD, reason="x", replacement={"data": {"text": "HERE"}})
    for path, body in (("/entries", json.dumps(sent).replace('"HERE"', deep)), ("/assets/OX2", f'{{"gas": {deep}}}')):
        method = "POST" if path == "/entries" else "PATCH"
        answer = desk.call(method, path, content=body.encode(), headers=JSON | {"If-Match": "*"})
        assert answer.status_code in {201, 400, 422}, answer.text


def test_a_parameter_given_twice_is_refused_rather_than_one_of_the_two_passed_over(quiet_desk: Desk) -> None:
    assert problem(quiet_desk.get("/due?gas=oxygen&gas=nitrogen"), 422) == [("/query/gas", "given_twice")]


@pytest.mark.parametrize("query", ["stat=overdue", "request=1", "who=me", "=", "a/b=1"])
def test_a_parameter_that_is_not_known_is_refused_rather_than_everything_shown(quiet_desk: Desk, query: str) -> None:
    name = query.partition("=")[0].replace("/", "~1")
    assert problem(quiet_desk.get(f"/due?{query}"), 422) == [(f"/query/{name}", "unknown_parameter")]
    assert problem(quiet_desk.post(f"/entries?{query}", NOTE), 422) == [(f"/query/{name}", "unknown_parameter")]


def test_a_nul_in_an_address_names_nothing(quiet_desk: Desk) -> None:
    for path in ("/assets/a%00b", "/procedures/a%00b", "/instruments/a%00b", "/rebuilds/a%00b"):
        problem(quiet_desk.get(path), 404)
    assert problem(quiet_desk.get("/assets?gas=a%00b"), 422) == [("/query/gas", "nul")]
    assert problem(quiet_desk.get("/entries?asset=OX2&type=%00"), 422) == [("/query/type", "nul")]


@pytest.mark.parametrize("path", ["/assets/%ED%A0%80", "/assets/%FF", "/rebuilds/%F0%9F", "/procedures/%C0%80"])
def test_an_address_that_is_not_utf8_names_nothing(quiet_desk: Desk, path: str) -> None:
    problem(quiet_desk.get(path), 404)


def test_a_query_that_is_not_utf8_finds_nothing(quiet_desk: Desk) -> None:
    assert quiet_desk.get("/assets?gas=%ED%A0%80").json()["items"] == []


class TestMediaTypes:
    @pytest.mark.parametrize(
        "media",
        ["text/plain", "application/x-www-form-urlencoded", "multipart/form-data; boundary=x", "application/xml"],
    )
    @pytest.mark.parametrize(
        "path", ["/entries", "/assets", "/procedures", "/instruments", "/instruments/TW-21/calibrations"]
    )
    def test_another_media_type_is_not_guessed_at(self, quiet_desk: Desk, media: str, path: str) -> None:
        answer = quiet_desk.post(path, content=json.dumps(NOTE).encode(), headers={"Content-Type": media})
        assert problem(answer, 415, "wrong_media_type") == []

    def test_lines_of_json_are_no_list_of_entries(self, quiet_desk: Desk) -> None:
        lines = json.dumps(NOTE).encode() + b"\n"
        problem(quiet_desk.post("/entries", content=lines, headers={"Content-Type": "application/x-ndjson"}), 415)

    def test_a_compressed_body_is_not_unpacked(self, quiet_desk: Desk) -> None:
        problem(send(quiet_desk, b"\x1f\x8b", **{"Content-Encoding": "gzip"}), 415, "wrong_media_type")

    @pytest.mark.parametrize(
        "headers",
        [
            {},
            {"Content-Type": "application/json; charset=utf-8"},
            {"Content-Type": "Application/JSON"},
            {"Content-Type": "application/vnd.tidewater+json"},
        ],
    )
    def test_json_by_any_of_its_names_is_taken(self, desk: Desk, headers: dict[str, str]) -> None:
        assert desk.post("/entries", content=json.dumps(NOTE).encode(), headers=headers).status_code == 201


class TestTooMuch:
    def test_a_body_over_the_limit_is_too_large(self, sqlite_url: str) -> None:
        with running(sqlite_url, most_body_bytes=2_000) as desk:
            desk.open()
            assert problem(send(desk, b" " * 2_001), 413, "too_large") == []
            assert problem(send(desk, b" " * 2_000), 400, "unreadable") == [("", "not_json")]

    def test_a_body_that_does_not_say_how_long_it_is_is_cut_off_at_the_limit(self, sqlite_url: str) -> None:
        async def endless():
            while True:
                yield b" " * 500

        with running(sqlite_url, most_body_bytes=2_000) as desk:
            desk.open()
            assert problem(desk.post("/entries", content=endless(), headers=JSON), 413, "too_large") == []

    def test_a_post_holds_a_thousand_entries_and_no_more(self, desk: Desk) -> None:
        notes = [NOTE | {"data": {"text": str(number)}} for number in range(1001)]
        assert problem(desk.post("/entries", notes), 413, "too_large") == []
        assert len(desk.record(*notes[:1000])["accepted"]) == 1000


def test_a_list_that_is_wrong_all_over_is_not_answered_with_a_longer_one(desk: Desk) -> None:
    refused = send(desk, json.dumps([{"type": "note.added"}] * 1_000).encode())
    assert len(problem(refused, 422)) == 100


def test_a_member_beside_the_entries_is_pointed_at_whatever_it_is_called(desk: Desk) -> None:
    refused = send(desk, json.dumps({"entries": [NOTE], "a/b": 1, "defaults": {"c~d": 1}}).encode())
    assert [where for where, _ in problem(refused, 422)] == ["/a~1b", "/defaults/c~0d"]
