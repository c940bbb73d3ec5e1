import base64

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.merkle.key import Signer
from service.merkle.note import sign_note
from service.merkle.proof_text import MAX_HASHES, MAX_SIZE, ProofTextError, parse_proof, verify_proof, write_proof
from service.merkle.proofs import inclusion_proof
from service.merkle.tile import MAX_ENTRY_SIZE
from tests.merkle.static_log import LOG, ORIGIN, WITNESS, StaticLog, recorded

NOW = 1_790_000_000
SMALL = StaticLog(recorded(7))
PROOF = SMALL.proof(2)
HEAD, CHECKPOINT = PROOF.split(b"\n\n", 1)
LINES = HEAD.split(b"\n")


def refused(step, reason=None):
    return pytest.raises(ProofTextError, check=lambda error: error.step == step and error.reason == (reason or step))


def rejoined(*lines, checkpoint=CHECKPOINT):
    return b"\n".join(lines) + b"\n\n" + checkpoint


def test_a_proof_of_the_third_of_seven_entries_as_it_is_written():
    below, left, right = (base64.b64encode(node) for node in inclusion_proof(2, 7, SMALL.read))
    assert [b"c2sp.org/tlog-proof@v1", b"extra eyJzZXEiOjN9", b"index 2", below, left, right] == LINES
    assert base64.b64decode("eyJzZXEiOjN9") == b'{"seq":3}'
    assert SMALL.checkpoint == CHECKPOINT


def test_the_only_entry_of_a_log_has_a_proof_without_hashes():
    log = StaticLog([b"first"])
    proof = log.proof(0)
    assert b"\nindex 0\n\n" in proof
    assert verify_proof(proof, [LOG.key]).entry == b"first"


@pytest.mark.parametrize("size", [1, 2, 3, 7, 8, 70, 257])
def test_every_entry_of_a_log_is_proven_with_its_place_and_checkpoint(size):
    log = StaticLog(recorded(size))
    for index in range(size):
        proven = verify_proof(log.proof(index), [LOG.key])
        assert proven.entry == log.entries[index]
        assert proven.index == index
        assert proven.signed.text == log.text
        assert proven.signed.checkpoint.size == size


@settings(deadline=None, max_examples=60)
@given(st.binary(min_size=1, max_size=400), st.integers(0, 9))
def test_a_proof_read_and_written_again_is_the_same_file(entry, before):
    log = StaticLog([*recorded(before), entry, *recorded(4)])
    data = log.proof(before)
    proof = parse_proof(data)
    assert proof.entry == entry
    assert write_proof(proof.entry, proof.index, proof.hashes, proof.checkpoint) == data


@settings(deadline=None, max_examples=400)
@given(st.data())
def test_whatever_byte_is_changed_nothing_is_proven(data):
    place = data.draw(st.integers(0, len(PROOF) - 1))
    byte = data.draw(st.integers(0, 255).filter(lambda byte: byte != PROOF[place]))
    with pytest.raises(ProofTextError):
        verify_proof(PROOF[:place] + bytes([byte]) + PROOF[place + 1 :], [LOG.key])


@settings(deadline=None, max_examples=100)
@given(st.integers(0, len(PROOF) - 1))
def test_a_file_that_breaks_off_proves_nothing(length):
    with pytest.raises(ProofTextError):
        verify_proof(PROOF[:length], [LOG.key])


def test_the_longest_entry_travels_in_a_proof_and_one_byte_more_does_not():
    log = StaticLog([bytes(MAX_ENTRY_SIZE), b"second"])
    assert verify_proof(log.proof(0), [LOG.key]).entry == bytes(65_535)
    with pytest.raises(ValueError, match="65535"):
        write_proof(bytes(MAX_ENTRY_SIZE + 1), 0, [], log.checkpoint)


def test_cosignatures_under_the_checkpoint_are_verified_and_told():
    cosigned = rejoined(*LINES, checkpoint=SMALL.cosigned(WITNESS, NOW))
    assert not verify_proof(cosigned, [LOG.key]).signed.cosigned
    (verified,) = verify_proof(cosigned, [LOG.key, WITNESS.key]).signed.cosigned
    assert (verified.key, verified.at) == (WITNESS.key, NOW)


class TestLiesAndTheStepTheyFailAt:
    def test_wrong_entry(self):
        with refused("inclusion", "wrong_root"):
            verify_proof(rejoined(LINES[0], b"extra " + base64.b64encode(b'{"seq":4}'), *LINES[2:]), [LOG.key])

    def test_wrong_index(self):
        with refused("inclusion", "wrong_root"):
            verify_proof(PROOF.replace(b"index 2", b"index 3"), [LOG.key])

    def test_index_past_the_end(self):
        with refused("inclusion", "impossible_size"):
            verify_proof(PROOF.replace(b"index 2", b"index 7"), [LOG.key])

    def test_swapped_hashes(self):
        with refused("inclusion", "wrong_root"):
            verify_proof(rejoined(*LINES[:3], LINES[4], LINES[3], LINES[5]), [LOG.key])

    def test_missing_hash(self):
        with refused("inclusion", "too_short"):
            verify_proof(rejoined(*LINES[:-1]), [LOG.key])

    def test_one_hash_too_many(self):
        with refused("inclusion", "too_long"):
            verify_proof(rejoined(*LINES, LINES[-1]), [LOG.key])

    def test_an_inner_node_presented_as_an_entry(self):
        left, right = (SMALL.read([0]) + SMALL.read([1]))[:2]
        forged = write_proof(left + right, 0, inclusion_proof(0, 7, SMALL.read)[1:], SMALL.checkpoint)
        with pytest.raises(ProofTextError, check=lambda error: error.step == "inclusion"):
            verify_proof(forged, [LOG.key])

    def test_checkpoint_of_a_later_tree(self):
        with pytest.raises(ProofTextError, check=lambda error: error.step == "inclusion"):
            verify_proof(rejoined(*LINES, checkpoint=StaticLog(recorded(8)).checkpoint), [LOG.key])

    def test_checkpoint_of_a_tree_without_this_entry(self):
        other = [*recorded(2), b"another", *recorded(4)]
        with refused("inclusion", "wrong_root"):
            verify_proof(rejoined(*LINES, checkpoint=StaticLog(other).checkpoint), [LOG.key])

    def test_checkpoint_signed_by_a_stranger_of_the_same_name(self):
        stranger = Signer.from_seed(ORIGIN, bytes(32))
        with refused("signature", "no_known_signature"):
            verify_proof(rejoined(*LINES, checkpoint=sign_note(SMALL.text, stranger)), [LOG.key])

    def test_checkpoint_altered_after_signing(self):
        with refused("signature", "wrong_signature"):
            verify_proof(PROOF.replace(b"\n7\n", b"\n6\n"), [LOG.key])

    def test_no_signature_at_all(self):
        with refused("signature", "malformed_note"):
            verify_proof(rejoined(*LINES, checkpoint=SMALL.text.encode()), [LOG.key])

    def test_a_known_witness_whose_cosignature_fails(self):
        forged = SMALL.checkpoint + WITNESS.cosign("another\n", NOW).line.encode() + b"\n"
        with refused("signature", "wrong_signature"):
            verify_proof(rejoined(*LINES, checkpoint=forged), [LOG.key, WITNESS.key])

    def test_another_facilitys_key_under_this_ones_checkpoint(self):
        other = Signer.from_seed("other.example/regulators", bytes(32))
        with refused("checkpoint", "wrong_origin"):
            verify_proof(rejoined(*LINES, checkpoint=sign_note(SMALL.text, other)), [LOG.key, other.key])

    def test_a_signed_note_that_is_no_checkpoint(self):
        with refused("checkpoint", "malformed_lines"):
            verify_proof(rejoined(*LINES, checkpoint=sign_note("signed off\n", LOG)), [LOG.key])

    def test_no_entry_in_the_file(self):
        with refused("entry"):
            verify_proof(rejoined(LINES[0], *LINES[2:]), [LOG.key])

    @pytest.mark.parametrize(
        ("lie", "data"),
        [
            ("empty", b""),
            ("another-version", PROOF.replace(b"@v1", b"@v2")),
            ("text-before-the-heading", b"\n" + PROOF),
            ("carriage-returns", PROOF.replace(b"\n", b"\r\n")),
            ("no-blank-line", HEAD + b"\n"),
            ("no-index", rejoined(*LINES[:2], *LINES[3:])),
            ("heading-only", rejoined(LINES[0])),
            ("index-before-extra", rejoined(LINES[0], LINES[2], LINES[1], *LINES[3:])),
            ("extra-twice", rejoined(LINES[0], LINES[1], *LINES[1:])),
            ("index-twice", rejoined(*LINES[:3], *LINES[2:])),
            ("empty-extra", rejoined(LINES[0], b"extra ", *LINES[2:])),
            ("extra-in-two-parts", PROOF.replace(b"extra ", b"extra a b")),
            ("extra-not-base64", PROOF.replace(b"extra ", b"extra !")),
            ("index-with-leading-zero", PROOF.replace(b"index 2", b"index 02")),
            ("negative-index", PROOF.replace(b"index 2", b"index -2")),
            ("index-without-number", PROOF.replace(b"index 2", b"index ")),
            ("index-alone", PROOF.replace(b"index 2", b"index")),
            ("index-past-63-bits", PROOF.replace(b"index 2", b"index 9223372036854775808")),
            ("two-spaces", PROOF.replace(b"index 2", b"index  2")),
            ("short-hash", rejoined(*LINES[:-1], base64.b64encode(bytes(31)))),
            ("long-hash", rejoined(*LINES[:-1], base64.b64encode(bytes(33)))),
            ("hash-in-hexadecimal", rejoined(*LINES[:-1], b"0" * 64)),
            ("not-ascii", PROOF.replace(b"index 2", "index ٢".encode())),
            ("more-hashes-than-any-tree-is-high", rejoined(*LINES[:3], *[LINES[3]] * (MAX_HASHES + 1))),
            ("larger-than-any-proof", PROOF + bytes(MAX_SIZE)),
        ],
    )
    def test_a_file_that_is_no_proof(self, lie, data):
        assert data != PROOF, lie
        with refused("format"):
            verify_proof(data, [LOG.key])
