"""Witnesses: somebody who has seen the log grow says so, and their signature is served with the checkpoint.

Format: C2SP tlog-cosignature. A line is taken alone, or with the note it stands under.
"""

from __future__ import annotations

from datetime import timedelta

import pytest

from service.ledger.keys import add_witness
from service.merkle.checkpoint import Checkpoint, open_checkpoint
from service.merkle.key import Signature, VerifierKey, Witness, parse_key
from service.merkle.note import read_note
from tests.api import scenario
from tests.api.desk import Desk, problem

NORTH = Witness.from_seed("witness.example/north", bytes(range(32, 64)))
SOUTH = Witness.from_seed("witness.example/south", bytes(range(64, 96)))
PLAIN = {"Content-Type": "text/plain"}


@pytest.fixture
def watched(quick_desk: Desk) -> Desk:
    """A facility that listens to the witness in the north."""
    add_witness(quick_desk.ledger.store, quick_desk.facility, NORTH.key.line, quick_desk.clock())
    return quick_desk


def log_key(desk: Desk) -> VerifierKey:
    return parse_key(desk.get("/log/key").text.strip())


def text_of(desk: Desk) -> str:
    return read_note(desk.get("/log/checkpoint").content).text


def signed_by(witness: Witness, desk: Desk, text: str | None = None, **later: float) -> bytes:
    at = int((desk.clock() + timedelta(**later)).timestamp())
    return f"{witness.cosign(text_of(desk) if text is None else text, at).line}\n".encode()


def send(desk: Desk, content: bytes, token: str | None = None):
    return desk.post("/log/cosignatures", content=content, headers=PLAIN, token=token)


def cosigners(desk: Desk) -> list[str]:
    known = [log_key(desk), NORTH.key, SOUTH.key]
    return [one.key.name for one in open_checkpoint(desk.get("/log/checkpoint").content, known).cosigned]


def test_a_cosignature_is_served_with_the_checkpoint_until_the_log_grows(signed_desk: Desk) -> None:
    for witness in (NORTH, SOUTH):
        add_witness(signed_desk.ledger.store, signed_desk.facility, witness.key.line, signed_desk.clock())
    answer = send(signed_desk, signed_by(NORTH, signed_desk))
    assert answer.status_code == 200
    assert answer.content == signed_desk.get("/log/checkpoint").content
    send(signed_desk, signed_by(SOUTH, signed_desk))
    assert sorted(cosigners(signed_desk)) == [NORTH.name, SOUTH.name]
    signed_desk.record(scenario.BESIDE[0])
    assert cosigners(signed_desk) == []


def test_the_whole_note_is_taken_as_well_and_a_second_one_by_the_same_witness_replaces_the_first(watched: Desk) -> None:
    note = watched.get("/log/checkpoint").content
    assert send(watched, note + signed_by(NORTH, watched)).status_code == 200
    later = send(watched, note + signed_by(NORTH, watched, minutes=1))
    assert cosigners(watched) == [NORTH.name]
    (cosigned,) = open_checkpoint(later.content, [log_key(watched), NORTH.key]).cosigned
    assert cosigned.at == int(watched.clock().timestamp()) + 60


def test_a_proof_carries_the_cosignature_too(watched: Desk) -> None:
    send(watched, signed_by(NORTH, watched))
    assert NORTH.name in watched.get("/log/proof?seq=1").text


class TestRefused:
    def untouched(self, desk: Desk) -> None:
        assert cosigners(desk) == []

    def test_an_unknown_witness(self, watched: Desk) -> None:
        problem(send(watched, signed_by(SOUTH, watched)), 422, "no_known_signature")
        self.untouched(watched)

    def test_a_stranger_under_the_name_of_a_known_witness(self, watched: Desk) -> None:
        stranger = Witness.from_seed(NORTH.name, bytes(32))
        problem(send(watched, signed_by(stranger, watched)), 422, "no_known_signature")
        self.untouched(watched)

    def test_a_signature_over_something_else(self, watched: Desk) -> None:
        other = Checkpoint(scenario.FACILITY["origin"], watched.size(), bytes(32)).text
        problem(send(watched, signed_by(NORTH, watched, other)), 422, "wrong_signature")
        self.untouched(watched)

    def test_a_signature_whose_time_was_moved(self, watched: Desk) -> None:
        made = NORTH.cosign(text_of(watched), int(watched.clock().timestamp()))
        moved = Signature(made.name, made.key_id, (int.from_bytes(made.body[:8]) - 60).to_bytes(8) + made.body[8:])
        problem(send(watched, f"{moved.line}\n".encode()), 422, "wrong_signature")
        self.untouched(watched)

    def test_a_note_that_is_a_checkpoint_of_before(self, watched: Desk) -> None:
        stale = watched.get("/log/checkpoint").content
        line = signed_by(NORTH, watched)
        watched.record(scenario.BESIDE[0])
        answer = send(watched, stale + line)
        problem(answer, 409, "stale_size")
        assert f"the log has {watched.size()} entries now" in answer.json()["detail"]
        problem(send(watched, line), 422, "wrong_signature")
        self.untouched(watched)

    def test_a_note_of_the_same_size_with_another_root(self, watched: Desk) -> None:
        note = watched.get("/log/checkpoint").content
        fork = Checkpoint(scenario.FACILITY["origin"], watched.size(), bytes(32)).text
        forged = note.replace(text_of(watched).encode(), fork.encode())
        problem(send(watched, forged + signed_by(NORTH, watched, fork)), 422, "wrong_root")
        self.untouched(watched)

    def test_a_note_of_another_log(self, watched: Desk) -> None:
        note = watched.get("/log/checkpoint").content
        other = note.replace(scenario.FACILITY["origin"].encode(), b"other.example/log")
        problem(send(watched, other + signed_by(NORTH, watched)), 422, "wrong_origin")

    def test_a_time_to_come(self, watched: Desk) -> None:
        problem(send(watched, signed_by(NORTH, watched, hours=1)), 422, "in_the_future")
        self.untouched(watched)

    @pytest.mark.parametrize(
        "content", [b"", b"\n", b"no line of a note\n", "— a b\n".encode(), b"\xff\n", b"a\n\nb\n"]
    )
    def test_what_is_no_signature_line(self, watched: Desk, content: bytes) -> None:
        problem(send(watched, content), 422)

    def test_a_body_that_says_it_is_something_else(self, watched: Desk) -> None:
        answer = watched.post(
            "/log/cosignatures", content=signed_by(NORTH, watched), headers={"Content-Type": "text/html"}
        )
        problem(answer, 415)

    def test_more_than_such_lines_ever_are(self, watched: Desk) -> None:
        problem(send(watched, b"x" * 70_000), 413)

    def test_who_may_only_read_and_record(self, watched: Desk) -> None:
        problem(send(watched, signed_by(NORTH, watched), token=watched.token_for("read", "record")), 403)
        self.untouched(watched)
