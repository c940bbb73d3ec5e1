import hashlib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.merkle.key import KeyKind, NoteError, Signature, Signer, VerifierKey, Witness, parse_key
from service.merkle.note import MAX_SIGNATURES, MAX_SIZE, open_note, read_note, read_signatures, sign_note, write_note
from tests.merkle.published import (
    EXAMPLE,
    EXAMPLE_KEY,
    EXAMPLE_SIGNATURE,
    EXAMPLE_TEXT,
    GO_KEY,
    GO_SIGNATURE,
    GO_TEXT,
    PETER_LINE,
    PETER_SEED,
    PETER_TEXT,
    W1_NAME,
    W1_SIGNATURE,
    WITNESSED,
    WITNESSED_KEYS,
    names,
    refused,
    seeds,
    texts,
)

LOG = Signer.from_seed("skerrow.example/regulators", bytes(range(32)))
OTHER = Signer.from_seed("other.example/log", bytes(range(1, 33)))
TEXT = "skerrow.example/regulators\nbeds 12\n\nsigned off\n"
NOTE = sign_note(TEXT, LOG)
OWN = LOG.sign(TEXT)
NO_BREAK = "a\xa0b"


def unknown_line(number=0, name="unknown.example"):
    return Signature(name, number.to_bytes(4, "big"), bytes(64)).line + "\n"


class TestPublishedNotes:
    def test_the_standards_own_example_opens(self):
        opened = open_note(EXAMPLE, [parse_key(EXAMPLE_KEY)])
        assert opened.text == EXAMPLE_TEXT
        assert [verified.key.line for verified in opened.verified] == [EXAMPLE_KEY]

    def test_a_published_private_key_makes_the_published_note(self):
        signer = Signer.from_seed("PeterNeumann", PETER_SEED)
        assert sign_note(PETER_TEXT, signer).decode() == f"{PETER_TEXT}\n{PETER_LINE}\n"

    def test_a_tree_head_of_the_public_go_module_log_opens(self):
        data = f"{GO_TEXT}\n— sum.golang.org {GO_SIGNATURE}\n".encode()
        assert open_note(data, [parse_key(GO_KEY)]).text == GO_TEXT

    def test_a_public_logs_checkpoint_with_four_cosignatures_opens(self):
        opened = open_note(WITNESSED, map(parse_key, WITNESSED_KEYS))
        assert [verified.key.line for verified in opened.verified] == WITNESSED_KEYS
        assert [verified.at for verified in opened.verified] == [None] + [1779573024] * 4
        # The same log signs a second time, under its own name, by a kind of signature that is not known here.
        assert [signature.name for signature in opened.unknown] == ["arche2025h1.staging.ct.transparency.dev"]

    def test_the_time_in_the_standards_cosignature_is_where_it_is_looked_for(self):
        (signature,) = read_signatures(f"— {W1_NAME} {W1_SIGNATURE}\n".encode())
        assert int.from_bytes(signature.body[:8], "big") == 1679315147
        assert len(signature.body) == 8 + 64


class TestOpening:
    @settings(deadline=None, max_examples=100)
    @given(texts, st.lists(st.tuples(names, seeds), min_size=1, max_size=4, unique=True))
    def test_any_text_that_was_signed_opens_as_it_was_for_each_of_its_signers(self, text, people):
        signers = [Signer.from_seed(name, seed) for name, seed in people]
        data = sign_note(text, *signers)
        for signer in signers:
            opened = open_note(data, [signer.key])
            assert opened.text == text
            assert [verified.key for verified in opened.verified] == [signer.key]
            assert len(opened.unknown) == len(signers) - 1
        note = read_note(data)
        assert write_note(note.text, note.signatures) == data

    @settings(deadline=None, max_examples=300)
    @given(st.data())
    def test_whatever_byte_is_changed_the_note_no_longer_opens(self, data):
        place = data.draw(st.integers(0, len(NOTE) - 1))
        byte = data.draw(st.integers(0, 255).filter(lambda byte: byte != NOTE[place]))
        with pytest.raises(NoteError):
            open_note(NOTE[:place] + bytes([byte]) + NOTE[place + 1 :], [LOG.key])

    @settings(deadline=None, max_examples=100)
    @given(st.integers(0, len(NOTE) - 1))
    def test_a_note_that_breaks_off_does_not_open(self, length):
        with pytest.raises(NoteError):
            open_note(NOTE[:length], [LOG.key])

    def test_signatures_by_keys_one_does_not_know_are_passed_over(self):
        opened = open_note(NOTE + unknown_line().encode(), [LOG.key, OTHER.key])
        assert [verified.key for verified in opened.verified] == [LOG.key]
        assert [signature.name for signature in opened.unknown] == ["unknown.example"]

    def test_a_key_that_shares_only_the_name_or_only_the_id_is_another_key(self):
        own = LOG.key
        same_name = Signature(own.name, bytes(4), bytes(64)).line
        same_id = Signature("unknown.example", own.key_id, bytes(64)).line
        opened = open_note(NOTE + f"{same_name}\n{same_id}\n".encode(), [own])
        assert len(opened.verified) == 1
        assert len(opened.unknown) == 2

    def test_a_failing_signature_of_one_known_key_outweighs_a_good_one_of_another(self):
        forged = Signature(OTHER.name, OTHER.key.key_id, bytes(64)).line + "\n"
        with refused("wrong_signature"):
            open_note(NOTE + forged.encode(), [LOG.key, OTHER.key])
        assert open_note(NOTE + forged.encode(), [LOG.key]).text == TEXT

    def test_a_second_signature_of_a_known_key_has_to_hold_as_well(self):
        second = Signature(LOG.name, LOG.key.key_id, bytes(64)).line + "\n"
        with refused("wrong_signature"):
            open_note(NOTE + second.encode(), [LOG.key])

    def test_a_signature_repeated_counts_once(self):
        line = LOG.sign(TEXT).line + "\n"
        opened = open_note(NOTE + 3 * line.encode() + 2 * unknown_line().encode(), [LOG.key])
        assert len(opened.verified) == 1
        assert len(opened.unknown) == 1

    def test_a_text_may_hold_blank_lines_and_lines_that_look_like_signatures(self):
        text = f"a\n\n— forged.example {EXAMPLE_SIGNATURE}\n\n\n"
        assert open_note(sign_note(text, LOG), [LOG.key]).text == text

    def test_while_a_log_changes_its_key_either_opens_what_both_signed(self):
        new = Signer.from_seed(LOG.name, bytes(32))
        for key in (LOG.key, new.key):
            assert open_note(sign_note(TEXT, LOG, new), [key]).text == TEXT

    @pytest.mark.parametrize("count", [1, 16, MAX_SIGNATURES])
    def test_sixteen_signatures_are_taken_and_many_more(self, count):
        lines = "".join(unknown_line(number) for number in range(count - 1))
        assert len(open_note(NOTE + lines.encode(), [LOG.key]).unknown) == count - 1

    def test_one_signature_too_many_is_refused_before_any_is_verified(self):
        with refused("too_many_signatures"):
            open_note(NOTE + (MAX_SIGNATURES * unknown_line()).encode(), [LOG.key])

    def test_a_note_of_the_greatest_size_is_taken_and_one_byte_more_is_not(self):
        room = MAX_SIZE - len(sign_note("\n", LOG))
        assert len(sign_note("a" * room + "\n", LOG)) == MAX_SIZE
        with refused("too_large"):
            sign_note("a" * (room + 1) + "\n", LOG)
        with refused("too_large"):
            read_note(bytes(MAX_SIZE + 1))

    @pytest.mark.parametrize(
        ("lie", "data", "reason"),
        [
            ("swapped-text", NOTE.replace(b"12", b"13"), "wrong_signature"),
            ("text-cut-short", NOTE.replace(b"signed off\n", b""), "wrong_signature"),
            ("truncated-signature", f"{TEXT}\n{OWN._replace(body=OWN.body[:63]).line}\n".encode(), "wrong_signature"),
            (
                "signature-of-other-text",
                sign_note("other\n", LOG).replace(b"other\n", TEXT.encode()),
                "wrong_signature",
            ),
            ("key-id-only", f"{TEXT}\n{OWN._replace(body=b'').line}\n".encode(), "malformed_signature"),
            ("wrong-key", sign_note(TEXT, OTHER), "no_known_signature"),
            ("name-taken", sign_note(TEXT, Signer.from_seed(LOG.name, bytes(32))), "no_known_signature"),
            ("missing-blank-line", NOTE.replace(b"\n\n", b"\n"), "malformed_note"),
            ("no-signature", f"{TEXT}\n".encode(), "malformed_note"),
            ("text-alone", TEXT.encode(), "malformed_signature"),
            ("nothing-after-the-blank-line", b"text\n\n", "malformed_note"),
            ("no-newline-at-the-end", NOTE[:-1], "malformed_note"),
            ("empty", b"", "malformed_note"),
            ("blank-line-at-the-end", NOTE + b"\n", "malformed_note"),
            ("carriage-returns", NOTE.replace(b"\n", b"\r\n"), "malformed_note"),
            ("control-character", NOTE.replace(b"beds", b"be\x07ds"), "malformed_note"),
            ("tab", NOTE.replace(b"beds ", b"beds\t"), "malformed_note"),
            ("nul", NOTE.replace(b"beds", b"beds\x00"), "malformed_note"),
            ("not-utf-8", NOTE.replace(b"beds", b"be\xffds"), "malformed_note"),
            ("surrogate-in-utf-8", NOTE.replace(b"beds", b"\xed\xa0\x80"), "malformed_note"),
            ("hyphen-for-the-dash", NOTE.replace("—".encode(), b"-"), "malformed_signature"),
            ("en-dash", NOTE.replace("—".encode(), "–".encode()), "malformed_signature"),
            ("no-space-after-the-dash", NOTE.replace("— ".encode(), "—".encode()), "malformed_signature"),
            ("two-spaces", NOTE.replace("— ".encode(), "—  ".encode()), "malformed_signature"),
            ("space-at-the-end", NOTE[:-1] + b" \n", "malformed_signature"),
            ("no-base64", NOTE[:-2] + b"!\n", "malformed_signature"),
            ("stray-bits-in-base64", NOTE[:-3] + bytes([NOTE[-3] + 1]) + NOTE[-2:], "malformed_signature"),
            ("name-with-plus", f"{TEXT}\n{unknown_line(name='a+b')}".encode(), "malformed_name"),
            ("name-with-no-break-space", f"{TEXT}\n{unknown_line(name=NO_BREAK)}".encode(), "malformed_name"),
            ("no-name", f"{TEXT}\n{unknown_line(name='')}".encode(), "malformed_name"),
        ],
    )
    def test_a_note_that_lies_is_refused(self, lie, data, reason):
        assert data != NOTE, lie
        with refused(reason):
            open_note(data, [LOG.key])

    def test_who_knows_no_key_believes_nothing(self):
        with refused("no_known_signature"):
            open_note(NOTE, [])

    def test_the_same_key_twice_is_one_key(self):
        assert len(open_note(NOTE, [LOG.key, LOG.key]).verified) == 1

    def test_two_known_keys_made_to_collide_in_name_and_id_are_an_error_of_ours(self):
        # An id is 32 bits: about 2^16 public keys are enough to find two with the same one.
        seen, number, colliding = {}, 0, None
        while colliding is None:
            public = number.to_bytes(32, "big")
            key_id = hashlib.sha256(b"a.example\n\x01" + public).digest()[:4]
            colliding = seen.get(key_id)
            seen[key_id] = public
            number += 1
        keys = [VerifierKey("a.example", KeyKind.ED25519, each) for each in (colliding, public)]
        assert keys[0].key_id == keys[1].key_id
        with pytest.raises(ValueError, match="two different keys"):
            open_note(NOTE, [LOG.key, *keys])


class TestWriting:
    @pytest.mark.parametrize("text", ["", "no newline", "a\tb\n", "a\rb\n", "a\x00\n", "a\ud800\n"])
    def test_a_text_that_no_note_can_hold_is_not_written(self, text):
        signature = LOG.sign(TEXT)
        with refused("malformed_text"):
            write_note(text, [signature])

    def test_a_note_nobody_signed_is_not_written(self):
        with refused("malformed_note"):
            sign_note(TEXT)

    def test_more_signatures_than_are_read_are_not_written(self):
        with refused("too_many_signatures"):
            write_note(TEXT, [Signature("a.example", bytes(4), bytes([n])) for n in range(MAX_SIGNATURES + 1)])

    def test_a_cosignature_that_comes_later_is_added_and_the_first_stays(self):
        witness = Witness.from_seed("witness.example", bytes(range(2, 34)))
        note = read_note(NOTE)
        data = write_note(note.text, [*note.signatures, witness.cosign(TEXT, 1)])
        assert data.startswith(NOTE)
        assert [v.at for v in open_note(data, [LOG.key, witness.key]).verified] == [None, 1]
