"""``POST /entries`` by the line: a body of any length, each line for itself, answered line by line when it has ended."""

from __future__ import annotations

import asyncio
import copy
import json
from collections.abc import AsyncIterator, Iterable
from typing import Any

import pytest
from sqlalchemy.exc import OperationalError

from service.api.bulk import Bounds
from service.api.line_shapes import LineRefused, LinesDone, LineTaken
from service.entries.lines import MOST_LINE_BYTES
from service.ledger import importing
from tests.api import scenario
from tests.api.desk import Desk, problem
from tests.api.scenario import HERE, entry, q

NDJSON = {"Content-Type": "application/x-ndjson"}
NOTE = entry("note.added", "12:00:00", **HERE, text="Seat land lightly scored")
TORQUE = entry("torque.applied", "09:30:00", **HERE, joint="bonnet", torque=q("44.0 ft.lbf"), instrument="TW-21")
SMALL = Bounds(fewest=2, most=3)


def lines(*values: Any) -> bytes:
    return b"".join(json.dumps(value).encode() + b"\n" for value in values)


def notes(count: int) -> list[Any]:
    return [NOTE | {"data": {"text": str(number)}} for number in range(count)]


def send(desk: Desk, body: bytes | AsyncIterator[bytes], **headers: str) -> list[Any]:
    """Lines that the service has to answer; what it says of each, and in the end of all."""
    answer = desk.post("/entries", content=body, headers=NDJSON | headers)
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-type"] == "application/x-ndjson"
    *told, done = [json.loads(line) for line in answer.text.splitlines()]
    assert done["done"] is True
    assert done["read"] == len(told) == done["accepted"] + done["refused"]
    return [*told, done]


def test_every_line_is_answered_in_order_and_the_last_line_says_that_it_was_all(either_desk: Desk) -> None:
    bad = copy.deepcopy(TORQUE)
    bad["data"]["torque"]["unit"] = "kPa"
    taken, refused, after, done = send(either_desk, lines(NOTE, bad, TORQUE))
    assert LineTaken.model_validate(taken).status == 201
    assert LineRefused.model_validate(refused).model_dump() == {
        "line": 2,
        "status": 422,
        "errors": [
            {"pointer": "/data/torque/unit", "detail": refused["errors"][0]["detail"], "code": "wrong_dimension"}
        ],
    }
    assert (after["line"], after["seq"]) == (3, taken["seq"] + 1)
    assert LinesDone.model_validate(done).model_dump() == {"done": True, "read": 3, "accepted": 2, "refused": 1}
    recorded = either_desk.get(f"/entries?after={taken['seq'] - 1}").json()["items"]
    assert [(one["seq"], one["id"]) for one in recorded] == [(one["seq"], one["id"]) for one in (taken, after)]


def test_a_field_record_sent_by_the_line_is_judged_as_one_sent_at_once(either_desk: Desk) -> None:
    either_desk.app.state.bulk = SMALL
    whole = [{**scenario.DEFAULTS, **one} for one in scenario.WORK]
    *told, _ = send(either_desk, lines(*whole))
    assert {one["status"] for one in told} == {201}
    assert either_desk.get(f"/rebuilds/{scenario.REBUILD}").json()["verdict"] == "conforming"
    again = either_desk.post("/entries", scenario.BODY).json()["accepted"]
    assert [(one["id"], one["replayed"]) for one in again] == [(one["id"], True) for one in told]


def test_the_same_lines_sent_again_answer_as_before_and_change_nothing(desk: Desk) -> None:
    desk.app.state.bulk = SMALL
    file = lines(*notes(5), NOTE, NOTE, {"type": "note.added"}, *notes(3))
    *first, _ = send(desk, file)
    size = desk.size()
    *again, done = send(desk, file)
    assert desk.size() == size
    assert done == {"done": True, "read": 11, "accepted": 10, "refused": 1}
    for before, now in zip(first, again, strict=True):
        assert now == (before | {"status": 200, "replayed": True} if "id" in before else before)


def test_each_refusal_has_the_status_it_would_have_alone(desk: Desk) -> None:
    mine = NOTE | {"id": "01991234-0000-7000-8000-0000000000aa"}
    long = NOTE | {"data": {"text": "x" * MOST_LINE_BYTES}}
    sent = [
        *lines(
            mine, mine | {"by": "tech-03"}, NOTE | {"asset": "X"}, NOTE | {"type": "no.such"}, [], long
        ).splitlines(),
        b'{"type": "note.added"',
        b'{"data": {"text": "20 \xb0C"}}',
        b'{"type": "note.added", "type": "note.added"}',
    ]
    *told, done = send(desk, b"\n".join(sent))
    assert [one["status"] for one in told] == [201, 409, 422, 422, 422, 413, 400, 400, 400]
    assert [[(fault["pointer"], fault["code"]) for fault in one["errors"]] for one in told[1:]] == [
        [("/id", "id_taken")],
        [("/asset", "unknown_asset")],
        [("/type", "unknown_type")],
        [("", "wrong_type")],
        [("", "too_large")],
        [("", "not_json")],
        [("", "not_utf8")],
        [("/type", "duplicate_key")],
    ]
    assert done == {"done": True, "read": 9, "accepted": 1, "refused": 8}


def test_a_token_takes_by_the_line_what_its_scopes_allow(desk: Desk) -> None:
    sent = lines(NOTE, entry("asset.retired", "12:00:00", asset="OX2"))
    answer = desk.post("/entries", content=sent, headers=NDJSON, token=desk.token_for("record"))
    assert [json.loads(line).get("status") for line in answer.text.splitlines()] == [201, 403, None]
    problem(desk.post("/entries", content=sent, headers=NDJSON, token=""), 401)


@pytest.mark.parametrize("body", [b"", b"\n", b"\r\n \n"])
def test_nothing_is_nothing_taken(quiet_desk: Desk, body: bytes) -> None:
    assert send(quiet_desk, body) == [{"done": True, "read": 0, "accepted": 0, "refused": 0}]


def test_lines_are_numbered_as_an_editor_does(desk: Desk) -> None:
    one, two = lines(*notes(2)).splitlines()
    told = send(desk, b"\n" + one + b"\r\n\r\n" + two)
    assert [line["line"] for line in told[:-1]] == [2, 4]


def test_a_compressed_body_is_not_unpacked_and_other_names_are_not_guessed_at(quiet_desk: Desk) -> None:
    answer = quiet_desk.post("/entries", content=b"\x1f\x8b", headers=NDJSON | {"Content-Encoding": "gzip"})
    problem(answer, 415, "wrong_media_type")
    assert send(quiet_desk, b"", **{"Content-Type": "Application/X-NDJSON; charset=utf-8"})
    for media in ("application/x-jsonlines", "text/x-ndjson"):
        problem(quiet_desk.post("/entries", content=b"", headers={"Content-Type": media}), 415, "wrong_media_type")


def test_a_body_may_be_longer_than_any_other(desk: Desk) -> None:
    desk.app.state.most_body_bytes = 1_000
    assert send(desk, lines(*notes(60)))[-1]["accepted"] == 60


async def slowly(pieces: Iterable[bytes]) -> AsyncIterator[bytes]:
    for piece in pieces:
        yield piece
        await asyncio.sleep(0)


def test_pieces_may_end_anywhere(desk: Desk) -> None:
    desk.app.state.bulk = SMALL
    body = lines(*notes(7), NOTE | {"data": {"text": "20 °C"}})
    assert send(desk, slowly(body[start : start + 13] for start in range(0, len(body), 13)))[-1]["accepted"] == 8


class TestWhatStopsAnImport:
    """Nothing of a body that has not ended is answered; what was committed of it stays, and it is sent again whole."""

    @pytest.fixture(autouse=True)
    def _small(self, desk: Desk) -> None:
        desk.app.state.bulk = Bounds(fewest=2, most=2, silence=0.05)

    def stopped(self, desk: Desk, body: AsyncIterator[bytes], status: int, code: str) -> Any:
        answer = desk.post("/entries", content=body, headers=NDJSON)
        assert problem(answer, status, code) == []
        return answer

    def whole_again(self, desk: Desk, recorded_before: int) -> None:
        """Sent again, what was recorded answers as before, and everything is recorded once."""
        *told, done = send(desk, lines(*notes(6)))
        assert done["accepted"] == 6
        assert [one["replayed"] for one in told] == [True] * recorded_before + [False] * (6 - recorded_before)
        texts = [one["data"]["text"] for one in desk.walk("/entries?type=note.added")]
        assert texts == [str(number) for number in range(6)]

    def test_a_caller_who_stops_sending_is_not_waited_for(self, desk: Desk) -> None:
        async def falls_silent() -> AsyncIterator[bytes]:
            yield lines(*notes(5))[:-20]
            await asyncio.Event().wait()

        answer = self.stopped(desk, falls_silent(), 408, "unfinished")
        assert answer.headers["connection"] == "close"
        assert "line 4" in answer.json()["detail"]
        self.whole_again(desk, 4)

    def test_a_service_that_stops_ends_it_between_two_chunks(self, desk: Desk) -> None:
        async def stopped_meanwhile() -> AsyncIterator[bytes]:
            yield lines(*notes(2))
            yield b""
            desk.app.state.stopping.set()
            yield lines(*notes(6)[2:])

        answer = self.stopped(desk, stopped_meanwhile(), 503, "busy")
        assert int(answer.headers["retry-after"]) > 0
        desk.app.state.stopping.clear()
        self.whole_again(desk, 2)

    def test_a_service_that_stops_does_not_wait_for_one_who_is_silent(self, desk: Desk) -> None:
        desk.app.state.bulk = Bounds(silence=0.5)

        async def silent() -> AsyncIterator[bytes]:
            yield lines(*notes(1))
            desk.app.state.stopping.set()
            await asyncio.Event().wait()

        self.stopped(desk, silent(), 503, "busy")

    def test_a_database_that_fails_for_a_while_is_waited_for(self, desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
        troubles = self.failing(desk, monkeypatch, times=2)
        *told, _ = send(desk, lines(*notes(6)))
        assert [one["status"] for one in told] == [201] * 6
        assert troubles == []

    def test_one_that_goes_on_failing_is_told_and_nothing_is_half_there(
        self, desk: Desk, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        with monkeypatch.context() as broken:
            broken.setattr(importing, "LONGEST_WAIT", 0.0)

            async def fails_meanwhile() -> AsyncIterator[bytes]:
                yield lines(*notes(4))
                yield b""
                self.failing(desk, broken, times=99)
                yield lines(*notes(6)[4:])

            answer = self.stopped(desk, fails_meanwhile(), 503, "busy")
            assert int(answer.headers["retry-after"]) > 0
        self.whole_again(desk, 4)

    def test_a_fault_of_ours_is_told_as_one(self, desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
        with monkeypatch.context() as broken:
            self.failing(desk, broken, times=1, trouble=RuntimeError("the secret is swordfish"))
            answer = desk.post("/entries", content=lines(*notes(6)), headers=NDJSON)
            problem(answer, 500, "our_fault")
            assert "swordfish" not in answer.text
        self.whole_again(desk, 0)

    def test_a_token_that_is_revoked_records_no_further_chunk(self, desk: Desk) -> None:
        token = desk.token_for("record")

        async def revoked_meanwhile() -> AsyncIterator[bytes]:
            yield lines(*notes(4))
            yield b""
            with desk.ledger.store.writing() as tx:
                tx.exec_driver_sql("UPDATE tokens SET revoked_us = 1 WHERE scopes = 'record'")
            desk.clock.pass_(seconds=2)
            yield lines(*notes(6)[4:])

        problem(desk.post("/entries", content=revoked_meanwhile(), headers=NDJSON, token=token), 401)
        self.whole_again(desk, 4)

    def failing(
        self, desk: Desk, patch: pytest.MonkeyPatch, times: int, trouble: Exception | None = None
    ) -> list[Exception]:
        """The next so many transactions fail."""
        troubles = [trouble or OperationalError("INSERT", {}, OSError("disk full"))] * times
        writing = desk.ledger.store.writing

        def troubled() -> Any:
            if troubles:
                raise troubles.pop()
            return writing()

        patch.setattr(desk.ledger.store, "writing", troubled)
        patch.setattr("service.ledger.appender.judge_marked", lambda *_: 0)  # it would take a trouble for itself
        return troubles
