import base64

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.merkle.key import KeyKind, Signer, VerifierKey, Witness, parse_key
from service.merkle.note import open_note, sign_note, verify_signatures
from tests.merkle.published import (
    EXAMPLE_KEY,
    GO_KEY,
    PETER_KEY,
    PETER_LINE,
    PETER_SEED,
    PETER_TEXT,
    WITNESSED_KEYS,
    names,
    refused,
    seeds,
    texts,
)

TYPED = base64.b64decode(EXAMPLE_KEY.rpartition("+")[2])
TEXT = "skerrow.example/regulators\nbeds 12\n"
LOG = Signer.from_seed("skerrow.example/regulators", bytes(range(32)))
WITNESS = Witness.from_seed("witness.example/north", bytes(range(3, 35)))

# Unicode's White_Space property, the control characters that break lines, and half a character.
SPACES = " \t\n\v\f\r\x85\xa0\u1680\u2000\u2001\u2004\u200a\u2028\u2029\u202f\u205f\u3000"
BREAKERS = SPACES + "+\x00\x1b\x1c\x1f\ud800\udfff"


def typed_key(typed):
    return f"example.com/foo+530d903a+{base64.b64encode(typed).decode()}"


@pytest.mark.parametrize("line", [EXAMPLE_KEY, PETER_KEY, GO_KEY, *WITNESSED_KEYS])
def test_a_published_key_line_is_written_as_it_was_read(line):
    assert parse_key(line).line == line


def test_a_published_private_key_signs_as_published():
    signer = Signer.from_seed("PeterNeumann", PETER_SEED)
    assert signer.key.line == PETER_KEY
    assert signer.sign(PETER_TEXT).line == PETER_LINE


@settings(deadline=None, max_examples=50)
@given(names, seeds, st.sampled_from([Signer, Witness]))
def test_any_key_line_reads_back_as_the_same_key(name, seed, holder):
    key = holder.from_seed(name, seed).key
    assert parse_key(key.line) == key


def test_log_and_witness_with_one_public_key_and_one_name_have_different_ids():
    log, witness = (holder.from_seed("one.example", bytes(32)).key for holder in (Signer, Witness))
    assert log.public == witness.public
    assert log.key_id != witness.key_id


def test_what_is_printed_of_a_private_key_does_not_show_it():
    assert repr(LOG) == "Signer(name='skerrow.example/regulators')"
    assert str(WITNESS) == "Witness(name='witness.example/north')"


def test_base64_with_plus_signs_is_not_cut_at_them():
    # Nothing but pluses after the name: the kind 0xfb is refused, so the line was cut where it should be.
    with refused("unknown_kind"):
        parse_key("example.com/foo+00000000+" + "+" * 44)


@pytest.mark.parametrize(
    ("lie", "line", "reason"),
    [
        ("key-id-mismatch", EXAMPLE_KEY.replace("530d903a", "530d903b"), "key_id_mismatch"),
        ("another-name", EXAMPLE_KEY.replace("foo", "fop"), "key_id_mismatch"),
        ("another-public-key", typed_key(TYPED[:-1] + b"\x00"), "key_id_mismatch"),
        ("made-a-witness", typed_key(b"\x04" + TYPED[1:]), "key_id_mismatch"),
        ("id-in-capitals", EXAMPLE_KEY.replace("530d903a", "530D903A"), "key_id_mismatch"),
        ("id-cut-short", EXAMPLE_KEY.replace("530d903a", "530d903"), "key_id_mismatch"),
        ("no-id", EXAMPLE_KEY.replace("530d903a", ""), "key_id_mismatch"),
        ("kind-of-another-standard", typed_key(b"\x06" + TYPED[1:]), "unknown_kind"),
        ("kind-not-assigned", typed_key(b"\x00" + TYPED[1:]), "unknown_kind"),
        ("short-public-key", typed_key(TYPED[:-1]), "malformed_key"),
        ("long-public-key", typed_key(TYPED + b"\x00"), "malformed_key"),
        ("kind-without-key", typed_key(b"\x01"), "malformed_key"),
        ("nothing-after-the-id", typed_key(b""), "malformed_key"),
        ("no-base64", EXAMPLE_KEY[:-1] + "!", "malformed_key"),
        ("base64-without-padding", typed_key(TYPED[:-1]).rstrip("="), "malformed_key"),
        ("newline-at-the-end", EXAMPLE_KEY + "\n", "malformed_key"),
        ("two-parts", "example.com/foo+530d903a", "malformed_key"),
        ("empty", "", "malformed_key"),
        ("no-name", EXAMPLE_KEY.replace("example.com/foo", ""), "malformed_name"),
        ("name-with-space", EXAMPLE_KEY.replace("com/", "com/ "), "malformed_name"),
        ("name-with-newline", EXAMPLE_KEY.replace("com/", "com/\n"), "malformed_name"),
        ("name-with-plus", EXAMPLE_KEY.replace("com/", "com/+"), "malformed_key"),
    ],
)
def test_a_key_line_that_lies_is_refused(lie, line, reason):
    assert line != EXAMPLE_KEY, lie
    with refused(reason):
        parse_key(line)


@pytest.mark.parametrize("name", ["", *(f"a{breaker}b" for breaker in BREAKERS), " a", "a "])
def test_a_name_that_cannot_stand_in_a_line_is_nobodys(name):
    with refused("malformed_name"):
        Signer.from_seed(name, bytes(32))
    with refused("malformed_name"):
        VerifierKey(name, KeyKind.ED25519, bytes(32))


def test_a_seed_has_thirty_two_bytes():
    with pytest.raises(ValueError, match="32"):
        Signer.from_seed("a.example", bytes(31))


@settings(deadline=None, max_examples=50)
@given(texts, st.integers(0, 2**63 - 1))
def test_the_time_that_was_cosigned_is_the_time_read(text, at):
    ((verified,), unknown) = verify_signatures(text, [WITNESS.cosign(text, at)], [WITNESS.key])
    assert verified.at == at
    assert not unknown


@pytest.mark.parametrize("at", [-1, 2**63])
def test_a_time_that_has_no_place_in_the_format_is_not_signed(at):
    with pytest.raises(ValueError, match="no time"):
        WITNESS.cosign(TEXT, at)


def test_what_a_witness_signs_is_the_message_the_standard_shows():
    # C2SP tlog-cosignature, section "Ed25519 signed message".
    text = "example.com/behind-the-sofa\n20852163\nCsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=\n"
    signature = WITNESS.cosign(text, 1679315147)
    assert signature.body[:8] == bytes.fromhex("00000000641850cb")
    WITNESS.private.public_key().verify(signature.body[8:], f"cosignature/v1\ntime 1679315147\n{text}".encode())


GOOD = WITNESS.cosign(TEXT, 1_700_000_000)
TOO_LATE = WITNESS.private.sign(f"cosignature/v1\ntime {2**63}\n{TEXT}".encode())


@pytest.mark.parametrize(
    ("lie", "body", "text"),
    [
        ("other-text", GOOD.body, "other\n"),
        ("other-time", (1_700_000_001).to_bytes(8, "big") + GOOD.body[8:], TEXT),
        ("time-past-63-bits", (2**63).to_bytes(8, "big") + TOO_LATE, TEXT),
        ("cut-short", GOOD.body[:-1], TEXT),
        ("one-byte-more", GOOD.body + b"\x00", TEXT),
        ("time-only", GOOD.body[:8], TEXT),
        ("half-a-time", GOOD.body[:4], TEXT),
        ("signed-as-a-log-signs", WITNESS.private.sign(TEXT.encode()), TEXT),
    ],
)
def test_a_cosignature_that_lies_is_refused(lie, body, text):
    assert WITNESS.key.verify(GOOD, TEXT) == 1_700_000_000, lie
    with refused("wrong_signature"):
        WITNESS.key.verify(GOOD._replace(body=body), text)


def test_a_logs_signature_is_not_mistaken_for_a_cosignature_by_the_same_private_key():
    log = Signer.from_seed(WITNESS.name, bytes(range(3, 35)))
    assert log.key.public == WITNESS.key.public
    with refused("no_known_signature"):
        open_note(sign_note(TEXT, log), [WITNESS.key])
