import base64

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.merkle.checkpoint import (
    Checkpoint,
    CheckpointError,
    open_checkpoint,
    parse_checkpoint,
    verify_cosignatures,
)
from service.merkle.key import NoteError, Signer, Witness
from service.merkle.note import sign_note
from service.merkle.tree import EMPTY_ROOT, leaf_hash
from tests.merkle.static_log import LOG, ORIGIN, WITNESS, StaticLog, recorded

ROOT = leaf_hash(b"entry")
ENCODED = base64.b64encode(ROOT).decode()
TEXT = f"{ORIGIN}\n1\n{ENCODED}\n"
NOW = 1_790_000_000


def refused(kind, reason):
    return pytest.raises(kind, check=lambda error: error.reason == reason)


def test_the_standards_example_is_read():
    # C2SP tlog-checkpoint.
    text = "example.com/behind-the-sofa\n20852163\nCsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=\n"
    checkpoint = parse_checkpoint(text)
    assert checkpoint.origin == "example.com/behind-the-sofa"
    assert checkpoint.size == 20_852_163
    assert checkpoint.root.hex() == "0ac5186a91863e8e1d90c808014aa89bf5da8e3ee1d9f07630f0378f68f1ab62"
    assert checkpoint.text == text


def test_an_origin_need_not_look_like_ours():
    # The public log of Go modules has spaces in its origin.
    assert parse_checkpoint(f"go.sum database tree\n1\n{ENCODED}\n").origin == "go.sum database tree"


@settings(deadline=None, max_examples=100)
@given(
    st.text(st.characters(exclude_categories=["Cs", "Cc"]), min_size=1, max_size=30),
    st.integers(1, 2**63 - 1),
    st.binary(min_size=32, max_size=32),
)
def test_what_is_written_reads_back_as_the_same(origin, size, root):
    checkpoint = Checkpoint(origin, size, root)
    assert parse_checkpoint(checkpoint.text) == checkpoint


def test_lines_after_the_third_are_passed_over_but_stay_in_what_was_signed():
    extended = TEXT + "an extension\nanother\n"
    assert parse_checkpoint(extended) == parse_checkpoint(TEXT)
    opened = open_checkpoint(sign_note(extended, LOG), [LOG.key])
    assert opened.text == extended
    assert opened.checkpoint.text == TEXT


def test_the_empty_log_has_a_checkpoint():
    checkpoint = Checkpoint(ORIGIN, 0, EMPTY_ROOT)
    assert checkpoint.text == f"{ORIGIN}\n0\n47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU=\n"
    assert parse_checkpoint(checkpoint.text) == checkpoint


@pytest.mark.parametrize(
    ("lie", "text", "reason"),
    [
        ("leading-zero", f"{ORIGIN}\n01\n{ENCODED}\n", "malformed_size"),
        ("plus-sign", f"{ORIGIN}\n+1\n{ENCODED}\n", "malformed_size"),
        ("negative", f"{ORIGIN}\n-1\n{ENCODED}\n", "malformed_size"),
        ("space-before-size", f"{ORIGIN}\n 1\n{ENCODED}\n", "malformed_size"),
        ("digit-grouping", f"{ORIGIN}\n1_000\n{ENCODED}\n", "malformed_size"),
        ("digits-not-ascii", f"{ORIGIN}\n١\n{ENCODED}\n", "malformed_size"),
        ("hexadecimal", f"{ORIGIN}\n0x1\n{ENCODED}\n", "malformed_size"),
        ("size-past-63-bits", f"{ORIGIN}\n{2**63}\n{ENCODED}\n", "malformed_size"),
        ("size-of-many-digits", f"{ORIGIN}\n{'9' * 5000}\n{ENCODED}\n", "malformed_size"),
        ("short-root", f"{ORIGIN}\n1\n{base64.b64encode(ROOT[:31]).decode()}\n", "malformed_root"),
        ("long-root", f"{ORIGIN}\n1\n{base64.b64encode(ROOT + b'x').decode()}\n", "malformed_root"),
        ("root-without-padding", f"{ORIGIN}\n1\n{ENCODED[:-1]}\n", "malformed_root"),
        ("root-in-hexadecimal", f"{ORIGIN}\n1\n{ROOT.hex()}\n", "malformed_root"),
        ("root-in-the-url-alphabet", f"{ORIGIN}\n1\n{'_' * 43}=\n", "malformed_root"),
        ("root-with-stray-bits", f"{ORIGIN}\n1\n{'A' * 42}B=\n", "malformed_root"),
        ("empty-tree-with-a-root", f"{ORIGIN}\n0\n{ENCODED}\n", "malformed_root"),
        ("no-origin", f"\n1\n{ENCODED}\n", "malformed_lines"),
        ("two-lines", f"{ORIGIN}\n1\n", "malformed_lines"),
        ("no-newline-at-the-end", TEXT[:-1], "malformed_lines"),
        ("blank-line-inside", f"{ORIGIN}\n\n1\n{ENCODED}\n", "malformed_lines"),
        ("blank-line-at-the-end", TEXT + "\n", "malformed_lines"),
        ("blank-extension", TEXT + "extension\n\nanother\n", "malformed_lines"),
        ("carriage-return", TEXT.replace("\n", "\r\n"), "malformed_size"),
        ("control-character-in-origin", f"a\x07b\n1\n{ENCODED}\n", "malformed_origin"),
        ("empty", "", "malformed_lines"),
    ],
)
def test_a_text_that_is_no_checkpoint_is_refused(lie, text, reason):
    assert text != TEXT, lie
    with refused(CheckpointError, reason):
        parse_checkpoint(text)


@pytest.mark.parametrize("origin", ["", "two\nlines", "tab\tbed"])
def test_an_origin_that_cannot_stand_in_a_line_is_not_written(origin):
    with refused(CheckpointError, "malformed_origin"):
        Checkpoint(origin, 1, ROOT)


def test_a_checkpoint_counts_when_a_key_of_its_origin_signed_it():
    log = StaticLog(recorded(4))
    opened = open_checkpoint(log.checkpoint, [LOG.key])
    assert opened.checkpoint == Checkpoint(ORIGIN, 4, parse_checkpoint(log.text).root)
    assert opened.text == log.text
    assert not opened.cosigned


def test_one_facilitys_key_cannot_speak_for_another_even_to_someone_who_knows_both():
    other = Signer.from_seed("other.example/regulators", bytes(32))
    forged = sign_note(TEXT, other)
    with refused(CheckpointError, "wrong_origin"):
        open_checkpoint(forged, [LOG.key, other.key])


def test_a_witness_cannot_stand_in_for_the_log_even_under_its_name():
    impostor = Witness.from_seed(ORIGIN, bytes(32))
    data = f"{TEXT}\n{impostor.cosign(TEXT, NOW).line}\n".encode()
    with refused(CheckpointError, "wrong_origin"):
        open_checkpoint(data, [LOG.key, impostor.key])


def test_an_older_key_of_the_log_still_verifies_what_it_signed():
    newer = Signer.from_seed(ORIGIN, bytes(32))
    assert open_checkpoint(sign_note(TEXT, LOG), [newer.key, LOG.key]).checkpoint.size == 1
    with refused(NoteError, "no_known_signature"):
        open_checkpoint(sign_note(TEXT, LOG), [newer.key])


def test_the_log_signing_something_else_does_not_make_it_a_checkpoint():
    with refused(CheckpointError, "malformed_lines"):
        open_checkpoint(sign_note("signed off\n", LOG), [LOG.key])


def test_the_text_is_not_looked_at_before_the_signature_holds():
    forged = sign_note(TEXT, LOG).replace(b"\n1\n", b"\n01\n")
    with refused(NoteError, "wrong_signature"):
        open_checkpoint(forged, [LOG.key])


def test_cosignatures_of_known_witnesses_come_with_their_time():
    data = StaticLog(recorded(4)).cosigned(WITNESS, NOW)
    (cosigned,) = open_checkpoint(data, [LOG.key, WITNESS.key]).cosigned
    assert cosigned.key == WITNESS.key
    assert cosigned.at == NOW
    assert not open_checkpoint(data, [LOG.key]).cosigned


class TestWhatAWitnessSends:
    other = Witness.from_seed("witness.example/south", bytes(32))

    def sent(self, *signatures):
        return "".join(f"{signature.line}\n" for signature in signatures).encode()

    def test_a_cosignature_over_the_checkpoint_is_taken(self):
        (verified,) = verify_cosignatures(self.sent(WITNESS.cosign(TEXT, NOW)), TEXT, [WITNESS.key])
        assert (verified.key, verified.at) == (WITNESS.key, NOW)

    def test_an_unknown_witness_beside_a_known_one_is_passed_over(self):
        data = self.sent(self.other.cosign(TEXT, NOW), WITNESS.cosign(TEXT, NOW))
        (verified,) = verify_cosignatures(data, TEXT, [WITNESS.key])
        assert verified.key == WITNESS.key

    def test_an_unknown_witness_alone_is_refused(self):
        with refused(NoteError, "no_known_signature"):
            verify_cosignatures(self.sent(self.other.cosign(TEXT, NOW)), TEXT, [WITNESS.key])

    def test_a_cosignature_over_an_earlier_checkpoint_is_refused(self):
        earlier = self.sent(WITNESS.cosign(Checkpoint(ORIGIN, 0, EMPTY_ROOT).text, NOW))
        with refused(NoteError, "wrong_signature"):
            verify_cosignatures(earlier, TEXT, [WITNESS.key])

    def test_the_logs_own_signature_is_no_cosignature(self):
        with refused(NoteError, "no_known_signature"):
            verify_cosignatures(self.sent(LOG.sign(TEXT)), TEXT, [WITNESS.key, LOG.key])

    @pytest.mark.parametrize(
        ("lie", "reason"),
        [
            ("", "malformed_note"),
            ("no newline", "malformed_note"),
            ("\n", "malformed_signature"),
            ("hello\n", "malformed_signature"),
            ("— a.example AAAA\n", "malformed_signature"),
        ],
    )
    def test_what_is_no_signature_line_is_refused(self, lie, reason):
        with refused(NoteError, reason):
            verify_cosignatures(lie.encode(), TEXT, [WITNESS.key])
