"""An export verified with nothing but the file: what is whole is said to be whole, and each lie is named and placed."""

from __future__ import annotations

import random
from base64 import b64decode, b64encode
from typing import Any

import pytest

from service.checks.catalogue import EDITION
from service.ledger import log, verify_log
from service.ledger.verify import Report
from service.merkle.canonical import canonical
from service.merkle.checkpoint import Checkpoint
from service.merkle.key import Signer, Witness
from service.merkle.note import sign_note
from tests.log.forging import bodies, forged, of_texts, of_type, proof_in, signed_again
from tests.log.kept import Kept

STRANGER = Signer.from_seed("ferrow.example/log", bytes(32))


def line_of(content: bytes, words: bytes) -> int:
    """The number of the first line with these words, counted from 1."""
    return next(number for number, line in enumerate(content.split(b"\n"), 1) if words in line)


def changed(content: bytes, was: bytes, now: bytes) -> bytes:
    """One occurrence replaced."""
    assert was in content
    return content.replace(was, now, 1)


def found(report: Report) -> list[tuple[int | None, int | None, str | None]]:
    """Where it differs: line, seq, member."""
    return [(one.line, one.seq, one.member) for one in report.wrong]


def said(report: Report) -> str:
    return "\n".join(map(str, report.wrong))


@pytest.fixture
def torn(monkeypatch: pytest.MonkeyPatch) -> None:
    """Stretches so short that a small export has many."""
    monkeypatch.setattr(verify_log, "AT_ONCE", 1_500)


class TestWhatIsWhole:
    def test_says_what_was_looked_at(self, kept: Kept) -> None:
        kept.export()
        report = kept.verify()
        assert report.wrong == []
        size, judged = len(kept.bench.entries()), len(kept.bench.judged())
        assert report.found[0].startswith(f"checkpoint of {kept.key.name}: {size} entries, root ")
        assert f"signed by {kept.key.line}" in report.found
        assert f"{size} leaf hashes, and the root over them" in report.found
        assert f"{judged} judgements, given again from the entries by edition {EDITION} of the checks" in report.found
        assert judged >= 2
        assert report.remarks == []

    def test_without_a_key_from_elsewhere_it_is_of_one_piece_and_says_that_this_is_all(self, whole: Kept) -> None:
        whole.export()
        report = Kept.verify_with(whole.file)
        assert report.holds
        assert "compare it with the one the facility gave you" in report.remarks[0]

    @pytest.mark.usefixtures("torn")
    def test_does_not_depend_on_how_it_is_cut_or_by_how_many_it_is_read(self, whole: Kept) -> None:
        whole.export()
        alone = whole.verify()
        assert alone.holds
        assert whole.verify(hands=2) == alone

    def test_the_cosignature_of_a_witness_is_verified_too(self, quick_kept: Kept) -> None:
        witness = Witness.from_seed("witness.example/north", bytes(range(32, 64)))
        quick_kept.cosigned_by(witness)
        quick_kept.export()
        report = quick_kept.verify(None, quick_kept.key, witness.key)
        assert report.holds
        assert "cosigned by witness.example/north" in report.found

    def test_a_judgement_of_another_edition_is_left_as_it_is_and_said_to_be(self, whole: Kept) -> None:
        def of_before(entries: list[dict[str, Any]]) -> None:
            of_type(entries, "rebuild.judged")["data"] |= {"edition": "1999.1", "verdict": "nonconforming"}

        report = whole.verify(forged(whole, of_before))
        assert report.holds
        assert report.remarks == [
            f"1 judgements are by edition 1999.1 of the checks, and this reader has {EDITION}: left as they are"
        ]

    def test_progress_is_told_to_the_end(self, whole: Kept) -> None:
        whole.export()
        told: dict[str, tuple[int, int]] = {}
        whole.verify(progress=lambda what, done, whole: told.update({what: (done, whole)}))
        assert told["entries"] == (whole.file.stat().st_size,) * 2
        assert told["judgements"] == (len(whole.bench.judged()),) * 2


class TestAChangedByte:
    """The file was changed after it was written: by who cannot sign."""

    def test_in_a_fact_is_named_with_seq_member_and_both_values(self, whole: Kept) -> None:
        content = whole.export()
        entry = next(one for one in whole.bench.entries() if one.data.get("joint") == "bonnet")
        line = line_of(content, f'"seq":{entry.seq},'.encode())
        report = whole.verify(
            changed(
                content,
                b'"joint":"bonnet","torque":{"unit":"N.m","value":"60.0"',
                b'"joint":"bonnet","torque":{"unit":"N.m","value":"80.0"',
            )
        )
        assert found(report) == [(line, entry.seq, "/data/torque/value")]
        assert said(report).endswith('"60.0" was logged, "80.0" stands here')

    @pytest.mark.parametrize(
        ("was", "now", "member"),
        [
            (b'"by":"ruth"', b'"by":"rath"', "/by"),
            (b'"credential":"tablet"', b'"credential":"tableu"', "/credential"),
            (b'"type":"note.added"', b'"type":"note.adder"', "/type"),
            (b'"part":"spring"', b'"part":"sprung"', "/data/kit/parts/2/part"),
        ],
    )
    def test_anywhere_in_an_entry_is_named(self, whole: Kept, was: bytes, now: bytes, member: str) -> None:
        content = whole.export()
        report = whole.verify(changed(content, was, now))
        line = line_of(content, was)
        assert [(one.line, one.member) for one in report.wrong] == [(line, member)]

    def test_in_a_judgement_too_long_to_try_all_bytes_is_named_by_judging_again(self, whole: Kept) -> None:
        content = whole.export()
        judged = whole.bench.entries()[-1]
        assert judged.type == "rebuild.judged"
        before, _, after = content.rpartition(b'"verdict":"conforming"}')
        report = whole.verify(before + b'"verdict":"cxnforming"}' + after)
        ((line, seq, member),) = found(report)
        assert (line, seq) == (content.count(b"\n"), judged.seq)
        assert member is not None
        assert member.startswith("/data/")
        assert "cxnforming" in said(report)

    def test_that_leaves_no_json_is_named_with_both_bytes(self, whole: Kept) -> None:
        content = whole.export()
        report = whole.verify(changed(content, b'"joint":"plug",', b'"joint":"plug";'))
        assert '"," was logged' in said(report) or "',' was logged, ';' stands here" in said(report)

    def test_in_a_leaf_hash_says_that_the_entry_is_as_it_was(self, whole: Kept) -> None:
        content = whole.export()
        place = content.index(b'= {"') - 10
        swapped = content[:place] + (b"A" if content[place : place + 1] != b"A" else b"B") + content[place + 1 :]
        report = whole.verify(swapped)
        assert found(report)[0][1] == 1
        assert "the leaf hash is written wrong by one character; the entry is as it was" in said(report)

    def test_in_the_checkpoint_is_no_signature_of_it(self, whole: Kept) -> None:
        content = whole.export()
        size = len(whole.bench.entries())
        report = whole.verify(changed(content, b"\n%d\n" % size, b"\n%d\n" % (size + 1)))
        assert "not a signature of" in said(report)

    def test_two_bytes_of_one_entry_are_still_placed_in_that_entry(self, whole: Kept) -> None:
        content = whole.export()
        report = whole.verify(changed(content, b'"joint":"plug"', b'"joint":"slog"'))
        ((line, _, member),) = found(report)[:1]
        assert line == line_of(content, b'"joint":"plug"')
        assert member is None
        assert "this is not the entry that was logged" in said(report)

    def test_at_any_place_is_never_passed_over(self, whole: Kept) -> None:
        """A bit turned at each of so many places: it is told, and where it is in an entry, on its line."""
        content, chance = whole.export(), random.Random(7)  # noqa: S311 - places, no secrets
        entries = content.index(b"= {")
        for place in chance.sample(range(len(content)), 60):
            lie = bytearray(content)
            lie[place] ^= 1 << chance.randrange(8)
            report = whole.verify(bytes(lie))
            assert not report.holds, place
            line = content[:place].count(b"\n") + 1
            assert place < entries or line in {one.line for one in report.wrong}, (place, said(report))


class TestALineMovedOrLost:
    def entry_lines(self, content: bytes) -> tuple[bytes, list[bytes]]:
        header, _, rest = content.partition(b"\n\n")
        note, _, entries = rest.partition(b"\n\n")
        signatures, _, entries = entries.partition(b"\n\n")
        return header + b"\n\n" + note + b"\n\n" + signatures + b"\n\n", entries.splitlines(keepends=True)

    def test_an_entry_left_out(self, whole: Kept) -> None:
        header, lines = self.entry_lines(whole.export())
        report = whole.verify(header + b"".join(lines[:4] + lines[5:]))
        assert (report.wrong[0].seq, report.wrong[0].member) == (5, "/seq")
        assert "6, where 5 follows" in said(report)
        assert f"{len(lines) - 1} entries, where the checkpoint is about {len(lines)}" in said(report)

    def test_an_entry_twice(self, whole: Kept) -> None:
        header, lines = self.entry_lines(whole.export())
        report = whole.verify(header + b"".join(lines[:5] + lines[4:]))
        assert "5, where 6 follows" in said(report)

    def test_two_entries_swapped(self, whole: Kept) -> None:
        header, lines = self.entry_lines(whole.export())
        report = whole.verify(header + b"".join([*lines[:4], lines[5], lines[4], *lines[6:]]))
        assert {one.member for one in report.wrong} >= {"/seq"}

    @pytest.mark.parametrize("cut", [1, 10, 5_000])
    def test_the_end_cut_off(self, whole: Kept, cut: int) -> None:
        content = whole.export()
        assert not whole.verify(content[:-cut]).holds

    def test_the_file_cut_off_above_the_entries(self, whole: Kept) -> None:
        content = whole.export()
        report = whole.verify(content[:100])
        assert "the file ends" in said(report)

    def test_something_after_the_end(self, whole: Kept) -> None:
        content = whole.export()
        assert not whole.verify(content + b"\n").holds
        assert not whole.verify(content + content.splitlines(keepends=True)[-1]).holds

    def test_no_export_at_all(self, whole: Kept) -> None:
        assert "neither an export nor a proof" in said(whole.verify(b"some file\n"))
        assert "neither an export nor a proof" in said(whole.verify(b""))

    def test_a_version_this_reader_does_not_know(self, whole: Kept) -> None:
        report = whole.verify(changed(whole.export(), b"witnessmark-export/1", b"witnessmark-export/2"))
        assert "the first line is not witnessmark-export/1" in said(report)


class TestKeys:
    def test_a_checkpoint_signed_by_a_stranger(self, whole: Kept) -> None:
        content, mine = whole.export(), whole.key.line.encode()
        note = sign_note(Checkpoint(STRANGER.name, len(bodies(whole)), bytes(32)).text, STRANGER)
        theirs = changed(changed(content, whole.checkpoint().note, note), mine, STRANGER.key.line.encode())
        assert "checkpoint: " in said(whole.verify(theirs))
        assert "the leaf hashes lead to the root" in said(Kept.verify_with(whole.put(theirs)))

    def test_the_key_of_another_log_does_not_verify_it(self, whole: Kept) -> None:
        whole.export()
        assert not whole.verify(None, STRANGER.key).holds

    def test_a_key_that_was_slipped_into_the_list(self, whole: Kept) -> None:
        content = whole.export()
        line = b"key " + whole.key.line.encode() + b"\n"
        report = whole.verify(changed(content, line, line + b"key " + STRANGER.key.line.encode() + b"\n"))
        assert f"{STRANGER.key.line} is no key of the log {whole.key.name}" in said(report)

    def test_the_signing_key_taken_off_the_list(self, whole: Kept) -> None:
        content = whole.export()
        line = b"key " + whole.key.line.encode() + b"\n"
        assert "is not among the keys that are listed" in said(whole.verify(changed(content, line, b"")))

    def test_a_witness_on_the_list_who_did_not_cosign(self, whole: Kept) -> None:
        content = whole.export()
        witness = Witness.from_seed("witness.example/north", bytes(range(32, 64))).key.line.encode()
        line = b"key " + whole.key.line.encode() + b"\n"
        report = whole.verify(changed(content, line, line + b"witness " + witness + b"\n"))
        assert "witness.example/north is listed, and did not cosign" in said(report)

    def test_after_a_rotation_the_old_key_alone_verifies_nothing_new_and_the_reader_is_told_why(
        self, quick_kept: Kept
    ) -> None:
        old = quick_kept.key
        new = quick_kept.rotate()
        quick_kept.export()
        assert quick_kept.verify(None, new).holds
        report = quick_kept.verify(None, old)
        assert not report.holds
        assert report.remarks == ["the key you gave is one the log had before: ask the facility for the present one"]


class TestALiarWithTheKey:
    """Every hash and signature holds; what the entries say does not."""

    def test_a_verdict_that_does_not_follow_from_the_entries(self, whole: Kept) -> None:
        def lie(entries: list[dict[str, Any]]) -> None:
            of_type(entries, "rebuild.judged")["data"]["verdict"] = "nonconforming"

        report = whole.verify(forged(whole, lie))
        ((line, seq, member),) = found(report)
        judged = of_type(bodies(whole), "rebuild.judged")
        assert (seq, member) == (judged["seq"], "/data/verdict")
        assert '"nonconforming" was recorded' in said(report)
        assert line is not None

    def test_a_torque_made_good_afterwards(self, whole: Kept) -> None:
        """The judgement stands as it was given; from the entries another follows."""

        def lie(entries: list[dict[str, Any]]) -> None:
            torque = next(
                one for one in entries if one["data"].get("joint") == "bonnet" and one["type"] == "torque.applied"
            )
            torque["data"]["torque"]["value"] = "90.0"

        report = whole.verify(forged(whole, lie))
        assert {one.member and one.member.split("/")[1] for one in report.wrong} == {"data"}
        assert {one.seq for one in report.wrong} == {
            one["seq"] for one in bodies(whole) if one["type"] == "rebuild.judged"
        }

    def test_a_judgement_that_claims_to_have_seen_what_comes_after_it(self, whole: Kept) -> None:
        def lie(entries: list[dict[str, Any]]) -> None:
            of_type(entries, "rebuild.judged")["data"]["through"] = 9_999

        assert found(whole.verify(forged(whole, lie)))[0][2] == "/data/through"

    def test_a_gap_in_seq(self, whole: Kept) -> None:
        def lie(entries: list[dict[str, Any]]) -> None:
            for entry in entries[5:]:
                entry["seq"] += 1

        assert found(whole.verify(forged(whole, lie)))[0][1:] == (6, "/seq")

    def test_a_clock_that_ran_backwards(self, whole: Kept) -> None:
        def lie(entries: list[dict[str, Any]]) -> None:
            entries[5]["recorded_at"] = "2001-01-01T00:00:00.000000Z"

        assert (6, "/recorded_at") in [where[1:] for where in found(whole.verify(forged(whole, lie)))]

    def test_an_id_used_twice(self, whole: Kept) -> None:
        def lie(entries: list[dict[str, Any]]) -> None:
            entries[7]["id"] = entries[4]["id"]

        report = whole.verify(forged(whole, lie))
        assert found(report)[0][1:] == (8, "/id")
        assert "the entry 5 has this id too" in said(report)

    def test_an_entry_of_another_facility(self, whole: Kept) -> None:
        def lie(entries: list[dict[str, Any]]) -> None:
            entries[3]["facility"] = "elsewhere"

        assert found(whole.verify(forged(whole, lie)))[0][1:] == (4, "/facility")

    def test_a_ledger_that_does_not_begin_with_its_opening(self, whole: Kept) -> None:
        def lie(entries: list[dict[str, Any]]) -> None:
            entries[0]["data"]["origin"] = "other.example/log"

        assert found(whole.verify(forged(whole, lie)))[0][1:] == (1, "/data/origin")
        without = [one | {"seq": number} for number, one in enumerate(bodies(whole)[1:], 1)]
        assert (1, "/type") in [where[1:] for where in found(whole.verify(signed_again(whole, without)))]

    @pytest.mark.parametrize(("was", "now"), [(b"{", b"{ "), (b'"data":{', b'"credential":"nobody","data":{')])
    def test_an_entry_spelled_so_that_two_readers_could_read_two_things(
        self, whole: Kept, was: bytes, now: bytes
    ) -> None:
        """RFC 8785 leaves one spelling; a member twice, say, is the first to one reader and the last to another."""
        texts = [canonical(one) for one in bodies(whole)]
        texts[3] = texts[3].replace(was, now, 1)
        report = whole.verify(of_texts(whole, texts))
        assert found(report)[0][1:] == (4, None)
        assert "not in canonical form (RFC 8785)" in said(report)


class TestWithheld:
    def test_contents_are_left_out_and_every_leaf_still_verifies(self, kept: Kept) -> None:
        content = kept.export(types={"note.added"}, people={"ruth"})
        assert b"Seat land clean" not in content
        assert b'"by":"ruth"' not in content
        report = kept.verify()
        assert report.wrong == []
        assert any("contents of 2 entries are withheld; their leaf hashes hold" in one for one in report.remarks)

    def test_what_depends_on_them_is_counted_as_unsettled_and_never_called_wrong(self, whole: Kept) -> None:
        whole.export(types={"torque.applied"})
        report = whole.verify()
        assert report.holds
        judged = len(whole.bench.judged())
        assert (
            f"{judged} judgements come out otherwise without the contents that are withheld: not settled here"
            in report.remarks
        )

    def test_a_withheld_entry_that_was_exchanged_spoils_the_root(self, whole: Kept) -> None:
        content = whole.export(types={"note.added"})
        (line,) = [
            line
            for line in content.split(b"\n")
            if len(line) == 44 and line not in whole.checkpoint().note.split(b"\n")
        ]
        other = b64encode(bytes([b64decode(line)[0] ^ 1]) + b64decode(line)[1:])
        report = whole.verify(changed(content, line, other))
        assert "lead to the root" in said(report)
        assert "of contents that are withheld" in said(report)

    def test_everything_withheld_is_a_log_of_hashes(self, whole: Kept) -> None:
        types = {one["type"] for one in bodies(whole)}
        content = whole.export(types=types)
        assert b"{" not in content
        assert whole.verify().holds


class TestProofFile:
    def proof(self, kept: Kept, seq: int = 3) -> bytes:
        signed = kept.checkpoint()
        with kept.bench.store.reading() as tx:
            return log.proof(tx, kept.bench.facility, seq, signed)

    def test_proves_one_entry_with_the_key(self, whole: Kept) -> None:
        report = whole.verify(self.proof(whole))
        assert report.holds
        assert report.found == [f"entry 3 of the log {whole.key.name}, which had {len(whole.bench.entries())} entries"]

    def test_without_a_key_proves_nothing(self, whole: Kept) -> None:
        assert "name it (--key)" in said(Kept.verify_with(whole.put(self.proof(whole))))

    @pytest.mark.parametrize(("was", "now"), [(b"index 2", b"index 3"), (b"index 2", b"index 1")])
    def test_of_another_place(self, whole: Kept, was: bytes, now: bytes) -> None:
        assert not whole.verify(changed(self.proof(whole), was, now)).holds

    def test_with_a_bit_turned_anywhere(self, whole: Kept) -> None:
        proof = self.proof(whole)
        for place in range(0, len(proof), 37):
            content = bytearray(proof)
            content[place] ^= 1
            report = whole.verify(bytes(content))
            # a name or an id under the note that nobody knows is passed over; the log's own signature has to hold
            assert not report.holds, content

    def test_of_an_entry_that_says_another_seq(self, whole: Kept) -> None:
        """The hash holds and the place holds; the entry says it stands elsewhere."""

        def lie(entries: list[dict[str, Any]]) -> None:
            entries[2]["seq"] = 9

        assert found(whole.verify(proof_in(forged(whole, lie), 2))) == [(None, 3, "/seq")]
