import base64
import hashlib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.merkle.key import KeyKind, NoteError, Signature, Signer, VerifierKey, Witness, parse_key
from service.merkle.note import (
    MAX_SIGNATURES,
    MAX_SIZE,
    open_note,
    read_note,
    read_signatures,
    sign_note,
    verify_signatures,
    write_note,
)

# C2SP signed-note, its example.
EXAMPLE_KEY = "example.com/foo+530d903a+AekyeRrm56hApGFkyQR4ZCbV54Id2LKaANYcrnKv3U2k"
EXAMPLE_TEXT = "This is an example message.\n"
EXAMPLE_SIGNATURE = "Uw2QOkn8srV1yJGh2VYRlL1Tnagv1YEq6TfXppzi2ONncAlTgK7Ztg1ERYNZXsYjOBH3mFXmRKuwHjG1Yu72IneyaQM="
EXAMPLE = f"{EXAMPLE_TEXT}\n— example.com/foo {EXAMPLE_SIGNATURE}\n".encode()

# Go's package golang.org/x/mod/sumdb/note, the example in its documentation, whose private key is published as well.
PETER_SEED = base64.b64decode("AYEKFALVFGyNhPJEMzD1QIDr+Y7hfZx09iUvxdXHKDFz")[1:]
PETER_KEY = "PeterNeumann+c74f20a3+ARpc2QcUPDhMQegwxbzhKqiBfsVkmqq/LDE4izWy10TW"
PETER_TEXT = "If you think cryptography is the answer to your problem,\nthen you don't know what your problem is.\n"
PETER_LINE = (
    "— PeterNeumann x08go/ZJkuBS9UG/SffcvIAQxVBtiFupLLr8pAcElZInNIuGUgYN1FFYC2pZSNXgKvqfqdngotpRZb6KE6RyyBwJnAM="
)

# A checkpoint that a public certificate log served in May 2026, and the keys that the log and its witnesses publish.
WITNESSED = Path(__file__).with_name("witnessed.note").read_bytes()
WITNESSED_KEYS = [
    "arche2025h1.staging.ct.transparency.dev+ba2f06c0+AU0vHmlGCS/PdN8b2OaGmKprLI8HKM+dJ472xgFYh15f",
    "transparency.dev/DEV:witness-little-garden+d8042a87+BCtusOxINQNUTN5Oj8HObRkh2yHf/MwYaGX4CPdiVEPM",
    "witness1.smartit.nu/witness1+a48c820f+BPSFWg9G6KPiO7QPryYO5Xq4oYJJ+kAvLKLSimDhoxMO",
    "remora.n621.de+da77ade7+BOvN63jn/bLvkieywe8R6UYAtVtNbZpXh34x7onlmtw2",
    "witness.stagemole.eu+67f7aea0+BEqSG3yu9YrmcM3BHvQYTxwFj3uSWakQepafafpUqklv",
]

LOG = Signer.from_seed("skerrow.example/regulators", bytes(range(32)))
OTHER = Signer.from_seed("other.example/log", bytes(range(1, 33)))
TEXT = "skerrow.example/regulators\nbeds 12\n\nsigned off\n"
NOTE = sign_note(TEXT, LOG)

# Characters of a key's name that trip a careless reader: a dash like the one that starts a line, a zero width space
# (which is no space), a slash, and one beyond U+FFFF.
names = st.text(st.sampled_from("aZ0./:-_—é\u200b😀"), min_size=1, max_size=12)
texts = st.text(st.characters(exclude_categories=["Cs"]).filter(lambda c: c == "\n" or c >= " "), max_size=60).map(
    lambda text: text + "\n"
)
seeds = st.binary(min_size=32, max_size=32)


def refused(reason):
    return pytest.raises(NoteError, check=lambda error: error.reason == reason)


def unknown_line(number=0, name="unknown.example"):
    return Signature(name, number.to_bytes(4, "big"), bytes(64)).line + "\n"


class TestPublishedNotes:
    def test_the_standards_own_example_opens(self):
        opened = open_note(EXAMPLE, [parse_key(EXAMPLE_KEY)])
        assert opened.text == EXAMPLE_TEXT
        assert [verified.key.line for verified in opened.verified] == [EXAMPLE_KEY]

    def test_the_key_id_of_the_example_is_recomputed_from_name_kind_and_public_key(self):
        assert parse_key(EXAMPLE_KEY).key_id.hex() == "530d903a"

    def test_a_published_private_key_signs_as_published(self):
        signer = Signer.from_seed("PeterNeumann", PETER_SEED)
        assert signer.key.line == PETER_KEY
        assert signer.sign(PETER_TEXT).line == PETER_LINE
        assert sign_note(PETER_TEXT, signer).decode() == f"{PETER_TEXT}\n{PETER_LINE}\n"

    def test_a_tree_head_of_the_public_go_module_log_verifies(self):
        # The signature that C2SP tlog-checkpoint shows was made over this text, by sum.golang.org.
        key = parse_key("sum.golang.org+033de0ae+Ac4zctda0e5eza+HJyk9SxEdh+s3Ux18htTTAD8OuAn8")
        text = "go.sum database tree\n20852163\nCsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=\n"
        line = "— sum.golang.org Az3grlgtzPICa5OS8npVmf1Myq/5IZniMp+ZJurmRDeOoRDe4URYN7u5/Zhcyv2q1gGzGku9nTo+zyWE+xeMcTOAYQ8="
        assert open_note(f"{text}\n{line}\n".encode(), [key]).text == text

    def test_a_public_logs_checkpoint_with_four_cosignatures_verifies(self):
        opened = open_note(WITNESSED, map(parse_key, WITNESSED_KEYS))
        assert [verified.key.line for verified in opened.verified] == WITNESSED_KEYS
        assert [verified.at for verified in opened.verified] == [None] + [1779573024] * 4
        # The same log signs a second time, under its own name, by a kind of signature that is not known here.
        assert [signature.name for signature in opened.unknown] == ["arche2025h1.staging.ct.transparency.dev"]

    def test_the_time_in_the_standards_cosignature_example_is_read(self):
        # C2SP tlog-cosignature: the signed message shown there says "time 1679315147". Its key is not published.
        line = (
            "— witness.example.com/w1 jWbPPwAAAABkGFDLEZMHwSRaJNiIDoe9DYn/zXcrtPHeolMI5OWXEhZCB9dlrDJsX3b2oyin1nPZqhf5nNo"
            "0xUe+mbIUBkBIfZ+qnA==\n"
        )
        (signature,) = read_signatures(line.encode())
        assert int.from_bytes(signature.body[:8], "big") == 1679315147
        assert len(signature.body) == 8 + 64


class TestKeyLines:
    @pytest.mark.parametrize("line", [EXAMPLE_KEY, PETER_KEY, *WITNESSED_KEYS])
    def test_a_published_key_line_is_written_as_it_was_read(self, line):
        assert parse_key(line).line == line

    @settings(deadline=None, max_examples=50)
    @given(names, seeds, st.sampled_from([Signer, Witness]))
    def test_any_key_line_reads_back_as_the_same_key(self, name, seed, holder):
        key = holder.from_seed(name, seed).key
        assert parse_key(key.line) == key

    def test_log_and_witness_with_one_public_key_and_one_name_have_different_ids(self):
        seed = bytes(32)
        log, witness = Signer.from_seed("one.example", seed).key, Witness.from_seed("one.example", seed).key
        assert log.public == witness.public
        assert log.key_id != witness.key_id

    def test_what_is_printed_of_a_private_key_does_not_show_it(self):
        printed = repr(LOG) + str(LOG)
        assert bytes(range(32)).hex() not in printed
        assert "private" not in printed

    @pytest.mark.parametrize(
        ("lie", "reason"),
        [
            ("key-id-mismatch", "key_id_mismatch"),
            ("another-name", "key_id_mismatch"),
            ("id-in-capitals", "key_id_mismatch"),
            ("another-public-key", "key_id_mismatch"),
            ("kind-of-another-standard", "unknown_kind"),
            ("kind-not-assigned", "unknown_kind"),
            ("short-public-key", "malformed_key"),
            ("long-public-key", "malformed_key"),
            ("no-public-key", "malformed_key"),
            ("no-base64", "malformed_key"),
            ("base64-without-padding", "malformed_key"),
            ("newline-at-the-end", "malformed_key"),
            ("two-parts", "malformed_key"),
            ("empty", "malformed_key"),
            ("no-name", "malformed_name"),
            ("name-with-space", "malformed_name"),
        ],
    )
    def test_a_key_line_that_lies_is_refused(self, lie, reason):
        typed = base64.b64decode(EXAMPLE_KEY.rpartition("+")[2])
        encoded = {
            "another-public-key": typed[:-1] + b"\x00",
            "kind-of-another-standard": b"\x06" + typed[1:],
            "kind-not-assigned": b"\x00" + typed[1:],
            "short-public-key": typed[:-1],
            "long-public-key": typed + b"\x00",
            "no-public-key": b"",
        }
        line = {
            "key-id-mismatch": EXAMPLE_KEY.replace("530d903a", "530d903b"),
            "another-name": EXAMPLE_KEY.replace("foo", "fop"),
            "id-in-capitals": EXAMPLE_KEY.replace("530d903a", "530D903A"),
            "no-base64": EXAMPLE_KEY[:-1] + "!",
            "base64-without-padding": EXAMPLE_KEY[:-1],
            "newline-at-the-end": EXAMPLE_KEY + "\n",
            "two-parts": "example.com/foo+530d903a",
            "empty": "",
            "no-name": EXAMPLE_KEY.replace("example.com/foo", ""),
            "name-with-space": EXAMPLE_KEY.replace("example.com/foo", "example.com/ foo"),
        }.get(lie) or f"example.com/foo+530d903a+{base64.b64encode(encoded.get(lie, b'')).decode()}"
        with refused(reason):
            parse_key("" if lie == "empty" else line)

    @pytest.mark.parametrize(
        "name",
        # Every character of Unicode's White_Space property stands between words somewhere; the rest break lines.
        ["", "a+b", *(f"a{space}b" for space in " \t\n\v\f\r\x85\xa0\u1680\u2000\u200a\u2028\u2029\u202f\u205f\u3000")]
        + ["a\x00b", "a\x1bb", "a\x1fb", "a\ud800b"],
    )
    def test_a_name_that_cannot_stand_in_a_line_is_nobodys(self, name):
        with refused("malformed_name"):
            Signer.from_seed(name, bytes(32))
        with refused("malformed_name"):
            VerifierKey(name, KeyKind.ED25519, bytes(32))

    def test_a_seed_has_thirty_two_bytes(self):
        with pytest.raises(ValueError, match="32"):
            Signer.from_seed("a.example", bytes(31))


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
            (
                "truncated-signature",
                f"{TEXT}\n{LOG.sign(TEXT)._replace(body=bytes(63)).line}\n".encode(),
                "wrong_signature",
            ),
            (
                "signature-of-other-text",
                sign_note("other\n", LOG).replace(b"other\n", TEXT.encode()),
                "wrong_signature",
            ),
            ("key-id-only", f"{TEXT}\n{LOG.sign(TEXT)._replace(body=b'').line}\n".encode(), "malformed_signature"),
            ("wrong-key", sign_note(TEXT, OTHER), "no_known_signature"),
            ("name-taken", sign_note(TEXT, Signer.from_seed(LOG.name, bytes(32))), "no_known_signature"),
            ("missing-blank-line", NOTE.replace(b"\n\n", b"\n"), "malformed_note"),
            ("no-signature", f"{TEXT}\n".encode(), "malformed_signature"),
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
            ("stray-bits-in-base64", NOTE[:-4] + bytes([NOTE[-4] + 1]) + NOTE[-3:], "malformed_signature"),
            ("name-with-plus", f"{TEXT}\n{unknown_line(name='a+b')}".encode(), "malformed_name"),
            ("name-with-no-break-space", f"{TEXT}\n{unknown_line(name='a\xa0b')}".encode(), "malformed_name"),
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


class TestCosignatures:
    witness = Witness.from_seed("witness.example/north", bytes(range(3, 35)))

    @settings(deadline=None, max_examples=50)
    @given(texts, st.integers(0, 2**63 - 1))
    def test_the_time_that_was_cosigned_is_the_time_read(self, text, at):
        ((verified,), unknown) = verify_signatures(text, [self.witness.cosign(text, at)], [self.witness.key])
        assert verified.at == at
        assert not unknown

    @pytest.mark.parametrize("at", [-1, 2**63])
    def test_a_time_that_has_no_place_in_the_format_is_not_signed(self, at):
        with pytest.raises(ValueError, match="no time"):
            self.witness.cosign(TEXT, at)

    @pytest.mark.parametrize("lie", ["other-text", "other-time", "time-too-late", "cut-short", "time-only", "log-kind"])
    def test_a_cosignature_that_lies_is_refused(self, lie):
        good = self.witness.cosign(TEXT, 1_700_000_000)
        assert self.witness.key.verify(good, TEXT) == 1_700_000_000
        body = {
            "other-time": (1_700_000_001).to_bytes(8, "big") + good.body[8:],
            "time-too-late": b"\x80"
            + bytes(7)
            + self.witness.private.sign(f"cosignature/v1\ntime {2**63}\n{TEXT}".encode()),
            "cut-short": good.body[:-1],
            "time-only": good.body[:8],
            "log-kind": self.witness.private.sign(TEXT.encode()),
        }.get(lie, good.body)
        with refused("wrong_signature"):
            self.witness.key.verify(good._replace(body=body), "other\n" if lie == "other-text" else TEXT)

    def test_a_logs_signature_is_not_mistaken_for_a_cosignature_by_the_same_private_key(self):
        log = Signer.from_seed(self.witness.name, bytes(range(3, 35)))
        with refused("no_known_signature"):
            open_note(sign_note(TEXT, log), [self.witness.key])
