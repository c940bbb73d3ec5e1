"""The log over HTTP in the open formats: what a stranger reads, and that it holds together.

Formats: C2SP tlog-checkpoint, signed-note, tlog-tiles, tlog-proof; RFC 9162 for the proofs.
"""

from __future__ import annotations

from typing import Any

import pytest

from service.entries.facility import FacilityOpened
from service.ledger.keys import enrol
from service.merkle.checkpoint import SignedCheckpoint, open_checkpoint
from service.merkle.key import VerifierKey, parse_key
from service.merkle.proof_text import verify_proof
from service.merkle.proofs import verify_consistency
from service.merkle.spelling import base64_bytes
from service.merkle.tile import bundles, decode_bundle, tiles
from service.merkle.tree import EMPTY_EDGE, append, leaf_hash, root
from tests.api import scenario
from tests.api.desk import Desk, problem
from tests.api.scenario import entry

TEXT = "text/plain; charset=utf-8"
FOR_EVER = "public, max-age=31536000, immutable"


def key_of(desk: Desk) -> VerifierKey:
    answer = desk.get("/log/key")
    assert (answer.status_code, answer.headers["content-type"]) == (200, TEXT)
    assert answer.text.endswith("\n")
    assert answer.text.count("\n") == 1
    return parse_key(answer.text[:-1])


def checkpoint_of(desk: Desk) -> SignedCheckpoint:
    answer = desk.get("/log/checkpoint")
    assert (answer.status_code, answer.headers["content-type"]) == (200, TEXT)
    return open_checkpoint(answer.content, [key_of(desk)])


def note(number: int) -> dict[str, Any]:
    return entry(
        "note.added",
        f"{12 + number // 3600:02}:{number // 60 % 60:02}:{number % 60:02}",
        text=f"{number}",
        **scenario.HERE,
    )


def bytes_of(desk: Desk, path: str) -> bytes:
    answer = desk.get(f"/log/tile/{path}")
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-type"] == "application/octet-stream"
    return answer.content


class TestCheckpoint:
    def test_says_origin_size_and_root_and_the_key_of_the_origins_name_signed_it(self, signed_desk: Desk) -> None:
        signed = checkpoint_of(signed_desk)
        assert signed.checkpoint.origin == scenario.FACILITY["origin"] == key_of(signed_desk).name
        assert signed.checkpoint.size == signed_desk.size()
        receipt = signed_desk.record(scenario.BESIDE[0])
        assert checkpoint_of(signed_desk).checkpoint.size == receipt["size"]
        assert checkpoint_of(signed_desk).checkpoint.root.hex() == receipt["root"]

    def test_is_not_sent_again_to_who_has_it(self, quick_desk: Desk) -> None:
        tag = quick_desk.get("/log/checkpoint").headers["etag"]
        assert quick_desk.get("/log/checkpoint", headers={"If-None-Match": tag}).status_code == 304
        quick_desk.record(scenario.BESIDE[0])
        assert quick_desk.get("/log/checkpoint", headers={"If-None-Match": tag}).status_code == 200

    def test_of_a_log_without_a_key_there_is_none(self, quick_desk: Desk) -> None:
        other = FacilityOpened.model_validate(
            scenario.FACILITY | {"code": "elsewhere", "origin": "elsewhere.example/log"}
        )
        quick_desk.ledger.open(other)
        token = quick_desk.token_for("read", facility="elsewhere")
        for path in ("checkpoint", "key", "keys", "proof?seq=1"):
            problem(quick_desk.get(f"//v1/facilities/elsewhere/log/{path}", token=token), 404, "no_log_key")

    def test_each_facility_has_a_verifier_key_of_its_own_by_one_key_file(self, quick_desk: Desk, key_file: Any) -> None:
        other = FacilityOpened.model_validate(
            scenario.FACILITY | {"code": "elsewhere", "origin": "elsewhere.example/log"}
        )
        quick_desk.ledger.open(other)
        theirs = enrol(quick_desk.ledger.store, key_file, "elsewhere", quick_desk.clock())
        mine = key_of(quick_desk)
        assert theirs.public == mine.public
        assert (theirs.name, theirs.key_id) != (mine.name, mine.key_id)


class TestTiles:
    def test_and_bundles_are_the_whole_log_partial_ones_included(self, signed_desk: Desk) -> None:
        for start in range(0, 300, 100):
            signed_desk.record(*(note(start + number) for number in range(100)))
        signed = checkpoint_of(signed_desk).checkpoint
        entries = [
            content
            for bundle in bundles(signed.size)
            for content in decode_bundle(bytes_of(signed_desk, bundle.path), bundle.width)
        ]
        grown = append(EMPTY_EDGE, map(leaf_hash, entries))
        assert root(grown.edge) == signed.root
        known = dict(grown.nodes)
        for tile in tiles(signed.size):
            assert bytes_of(signed_desk, tile.path) == b"".join(known[position] for position in tile.positions)

    def test_full_ones_may_be_kept_for_ever_but_only_for_who_brings_the_token(self, quick_desk: Desk) -> None:
        """RFC 9111 section 3.5 lets shared caches keep what is `public`; section 4.1, Vary: none is given to others."""
        for start in range(0, 300, 100):
            quick_desk.record(*(note(start + number) for number in range(100)))
        for path in ("0/000", "entries/000"):
            headers = quick_desk.get(f"/log/tile/{path}").headers
            assert headers["cache-control"] == FOR_EVER
            assert headers["vary"] == "Authorization"
            problem(quick_desk.get(f"/log/tile/{path}", token=""), 401)
        for path in ("0/001.p/3", "entries/001.p/3", "1/000.p/1", "0/000.p/255"):
            assert quick_desk.get(f"/log/tile/{path}").headers["cache-control"] == "private, no-cache"

    @pytest.mark.parametrize(
        "path", ["0/0", "0/000.p/0", "0/000.p/256", "0/001", "64/000", "entries/x000/000", "0/-01", "0/000/", "1/000"]
    )
    def test_what_is_no_tile_of_this_log_is_not_found(self, quick_desk: Desk, path: str) -> None:
        problem(quick_desk.get(f"/log/tile/{path}"), 404)

    def test_one_beyond_the_end_is_not_there_yet(self, quick_desk: Desk) -> None:
        size = quick_desk.size()
        assert quick_desk.get(f"/log/tile/0/000.p/{size}").status_code == 200
        problem(quick_desk.get(f"/log/tile/0/000.p/{size + 1}"), 404, "no_such_tile")
        problem(quick_desk.get(f"/log/tile/entries/000.p/{size + 1}"), 404, "no_such_tile")


class TestProof:
    def test_of_any_entry_verifies_alone_with_the_key(self, signed_desk: Desk) -> None:
        size = signed_desk.size()
        for seq in (1, 2, size):
            answer = signed_desk.get(f"/log/proof?seq={seq}")
            assert (answer.status_code, answer.headers["content-type"]) == (200, TEXT)
            proven = verify_proof(answer.content, [key_of(signed_desk)])
            assert (proven.index, proven.signed.checkpoint.size) == (seq - 1, size)
            assert f'"seq":{seq},'.encode() in proven.entry

    @pytest.mark.parametrize("seq", ["0", "-1", "one", "", "9007199254740993"])
    def test_of_what_is_no_seq_is_refused_with_the_parameter_named(self, quick_desk: Desk, seq: str) -> None:
        assert problem(quick_desk.get(f"/log/proof?seq={seq}"), 422) == [("/query/seq", "wrong_parameter")]

    def test_of_an_entry_that_is_not_there_yet_is_not_found(self, quick_desk: Desk) -> None:
        problem(quick_desk.get(f"/log/proof?seq={quick_desk.size() + 1}"), 404, "unknown_entry")


class TestConsistency:
    def test_between_any_two_sizes_shows_that_the_log_only_grew(self, signed_desk: Desk) -> None:
        older = checkpoint_of(signed_desk).checkpoint
        signed_desk.record(*map(note, range(9)))
        newer = checkpoint_of(signed_desk).checkpoint
        answer = signed_desk.get(f"/log/consistency?from={older.size}&to={newer.size}")
        assert answer.headers["content-type"] == TEXT
        hashes = [base64_bytes(line) for line in answer.text.splitlines()]
        verify_consistency(older.size, newer.size, older.root, newer.root, hashes)

    def test_does_not_go_backwards_or_beyond_the_end(self, quick_desk: Desk) -> None:
        size = quick_desk.size()
        assert problem(quick_desk.get(f"/log/consistency?from={size}&to=1"), 422) == [("/query/from", "upside_down")]
        problem(quick_desk.get(f"/log/consistency?from=1&to={size + 1}"), 404, "unknown_size")
        assert quick_desk.get(f"/log/consistency?from={size}&to={size}").text == ""
