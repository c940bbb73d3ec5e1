import pymerkle
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.merkle.proofs import (
    ProofError,
    consistency_proof,
    inclusion_proof,
    verify_consistency,
    verify_inclusion,
)
from service.merkle.tree import EMPTY_ROOT, leaf_hash, node_hash
from tests.merkle.reference import path, proof
from tests.merkle.stored import StoredTree

SIZES = range(1, 71)


def pair(key: str) -> tuple[int, int]:
    first, second = key.split(",")
    return int(first), int(second)


def test_inclusion_proofs_are_the_published_ones(vectors):
    tree = StoredTree(bytes.fromhex(leaf) for leaf in vectors["leaves_hex"])
    for key, published in vectors["inclusion_0based_index_size"].items():
        index, size = pair(key)
        hashes = inclusion_proof(index, size, tree.read)
        assert [node.hex() for node in hashes] == published
        verify_inclusion(bytes.fromhex(vectors["leaf_hashes"][index]), index, size, hashes, tree.roots[size])


def test_consistency_proofs_are_the_published_ones(vectors):
    tree = StoredTree(bytes.fromhex(leaf) for leaf in vectors["leaves_hex"])
    for key, published in vectors["consistency_size1_size2"].items():
        size1, size2 = pair(key)
        hashes = consistency_proof(size1, size2, tree.read)
        assert [node.hex() for node in hashes] == published
        verify_consistency(size1, size2, tree.roots[size1], tree.roots[size2], hashes)


def test_every_inclusion_proof_is_the_one_the_recursion_gives_and_holds(stored, entries):
    for size in SIZES:
        for index in range(size):
            hashes = inclusion_proof(index, size, stored.read)
            assert hashes == path(index, entries[:size])
            verify_inclusion(leaf_hash(entries[index]), index, size, hashes, stored.roots[size])


def test_every_consistency_proof_is_the_one_the_recursion_gives_and_holds(stored, entries):
    for size2 in SIZES:
        for size1 in range(1, size2 + 1):
            hashes = consistency_proof(size1, size2, stored.read)
            assert hashes == proof(size1, entries[:size2])
            verify_consistency(size1, size2, stored.roots[size1], stored.roots[size2], hashes)


def test_every_inclusion_path_is_the_one_an_independent_library_gives(stored, entries):
    oracle = pymerkle.InmemoryTree(algorithm="sha256")
    for entry in entries:
        oracle.append_entry(entry)
    for size in (1, 2, 3, 7, 8, 31, 64, 65, 70):
        for index in range(size):
            leaf, *above = oracle.prove_inclusion(index + 1, size).path  # it counts from one and begins with the leaf
            assert leaf == leaf_hash(entries[index])
            assert above == inclusion_proof(index, size, stored.read)


@settings(deadline=None, max_examples=100)
@given(st.data())
def test_in_a_large_tree_any_entry_and_any_earlier_size_can_be_shown(big, data):
    size = data.draw(st.integers(1, big.edge.size))
    earlier = data.draw(st.integers(0, size))
    index = data.draw(st.integers(0, size - 1))
    whole, part = big.roots[size], big.roots[earlier]
    verify_inclusion(leaf_hash(b"%d" % index), index, size, inclusion_proof(index, size, big.read), whole)
    verify_consistency(earlier, size, part, whole, consistency_proof(earlier, size, big.read))


@settings(deadline=None, max_examples=100)
@given(st.data())
def test_each_proof_costs_one_read_of_few_nodes(big, data):
    size = data.draw(st.integers(2, big.edge.size))
    questions = (
        lambda: inclusion_proof(data.draw(st.integers(0, size - 1)), size, big.read),
        lambda: consistency_proof(data.draw(st.integers(1, size - 1)), size, big.read),
    )
    for ask in questions:
        big.reads.clear()
        ask()
        (positions,) = big.reads
        assert len(positions) == len(set(positions)) <= 2 * size.bit_length()


def test_nothing_is_read_where_nothing_needs_showing(stored):
    stored.reads.clear()
    assert inclusion_proof(0, 1, stored.read) == []
    assert consistency_proof(0, 70, stored.read) == []
    assert consistency_proof(64, 64, stored.read) == []
    assert stored.reads == []


def test_every_tree_begins_with_the_empty_tree(stored):
    for size in (0, 1, 70):
        verify_consistency(0, size, EMPTY_ROOT, stored.roots[size], [])


def test_questions_about_leaves_and_trees_that_do_not_exist_are_refused(stored):
    for index, size in ((0, 0), (5, 5), (-1, 5), (0, -1)):
        with pytest.raises(ValueError):
            inclusion_proof(index, size, stored.read)
    for size1, size2 in ((6, 5), (-1, 5), (-2, -1)):
        with pytest.raises(ValueError):
            consistency_proof(size1, size2, stored.read)


def test_storage_that_leaves_a_node_out_or_adds_one_is_found_out(stored):
    for careless in (lambda places: stored.read(places)[1:], lambda places: [*stored.read(places), b"x" * 32]):
        with pytest.raises(ValueError):
            inclusion_proof(3, 7, careless)
        with pytest.raises(ValueError):
            consistency_proof(3, 7, careless)


# The truth is that entry 5 is in the tree of 7, and that the tree of 6 is the beginning of the tree of 7. Each lie has
# the name of what it does to the truth, and beside it the reason for which it has to be found out.

OTHER = leaf_hash(b"another entry altogether")

INCLUSION_LIES = {
    "wrong-leaf": (lambda c: c | {"leaf_hash": OTHER}, "wrong_root"),
    "inner-node-as-leaf": (lambda c: c | {"leaf_hash": node_hash(c["leaf_hash"], OTHER)}, "wrong_root"),
    "wrong-root": (lambda c: c | {"root": OTHER}, "wrong_root"),
    "root-of-the-empty-tree": (lambda c: c | {"root": EMPTY_ROOT}, "wrong_root"),
    "neighbours-index": (lambda c: c | {"index": 4}, "wrong_root"),
    "lone-leafs-index": (lambda c: c | {"index": 6}, "too_long"),
    "index-past-the-end": (lambda c: c | {"index": 7}, "impossible_size"),
    "index-below-zero": (lambda c: c | {"index": -1}, "impossible_size"),
    "size-of-a-taller-tree": (lambda c: c | {"size": 9}, "too_short"),
    "size-of-a-shorter-tree": (lambda c: c | {"size": 6}, "too_long"),
    "size-zero": (lambda c: c | {"size": 0}, "impossible_size"),
    "truncated-proof": (lambda c: c | {"proof": c["proof"][:-1]}, "too_short"),
    "beheaded-proof": (lambda c: c | {"proof": c["proof"][1:]}, "too_short"),
    "empty-where-not": (lambda c: c | {"proof": []}, "too_short"),
    "extra-hash-at-the-end": (lambda c: c | {"proof": [*c["proof"], OTHER]}, "too_long"),
    "extra-hash-in-front": (lambda c: c | {"proof": [OTHER, *c["proof"]]}, "too_long"),
    "root-appended": (lambda c: c | {"proof": [*c["proof"], c["root"]]}, "too_long"),
    "swapped-hashes": (lambda c: c | {"proof": c["proof"][::-1]}, "wrong_root"),
    "replaced-hash": (lambda c: c | {"proof": [OTHER, *c["proof"][1:]]}, "wrong_root"),
    "short-hash": (lambda c: c | {"proof": [c["proof"][0][:-1], *c["proof"][1:]]}, "malformed_hash"),
    "entry-in-the-place-of-its-hash": (lambda c: c | {"leaf_hash": b"entry 5"}, "malformed_hash"),
    "no-root": (lambda c: c | {"root": b""}, "malformed_hash"),
}

CONSISTENCY_LIES = {
    "swapped-roots": (lambda c: c | {"root1": c["root2"], "root2": c["root1"]}, "wrong_root"),
    "wrong-earlier-root": (lambda c: c | {"root1": OTHER}, "wrong_root"),
    "wrong-later-root": (lambda c: c | {"root2": OTHER}, "wrong_root"),
    "later-root-twice": (lambda c: c | {"root1": c["root2"]}, "wrong_root"),
    "swapped-sizes": (lambda c: c | {"size1": c["size2"], "size2": c["size1"]}, "impossible_size"),
    "size-below-zero": (lambda c: c | {"size1": -1}, "impossible_size"),
    "smaller-earlier-size": (lambda c: c | {"size1": 5}, "too_short"),
    "perfect-earlier-size": (lambda c: c | {"size1": 4}, "too_long"),
    "odd-earlier-size": (lambda c: c | {"size1": 3}, "too_short"),
    "taller-later-tree": (lambda c: c | {"size2": 9}, "too_short"),
    "equal-sizes": (lambda c: c | {"size1": 7}, "too_long"),
    "from-the-empty-tree": (lambda c: c | {"size1": 0}, "too_long"),
    "truncated-proof": (lambda c: c | {"proof": c["proof"][:-1]}, "too_short"),
    "beheaded-proof": (lambda c: c | {"proof": c["proof"][1:]}, "too_short"),
    "empty-where-not": (lambda c: c | {"proof": []}, "too_short"),
    "extra-hash-at-the-end": (lambda c: c | {"proof": [*c["proof"], OTHER]}, "too_long"),
    "extra-hash-in-front": (lambda c: c | {"proof": [OTHER, *c["proof"]]}, "too_long"),
    "roots-in-the-place-of-a-proof": (lambda c: c | {"proof": [c["root1"], c["root2"]]}, "too_short"),
    "swapped-hashes": (lambda c: c | {"proof": c["proof"][::-1]}, "wrong_root"),
    "replaced-hash": (lambda c: c | {"proof": [OTHER, *c["proof"][1:]]}, "wrong_root"),
    "long-hash": (lambda c: c | {"proof": [c["proof"][0] + b"\x00", *c["proof"][1:]]}, "malformed_hash"),
    "short-earlier-root": (lambda c: c | {"root1": c["root1"][:-1]}, "malformed_hash"),
    "short-later-root": (lambda c: c | {"root2": c["root2"][:-1]}, "malformed_hash"),
}


@pytest.mark.parametrize("lie", INCLUSION_LIES)
def test_no_lie_about_an_entry_is_believed(lie, stored, entries):
    truth = {
        "leaf_hash": leaf_hash(entries[5]),
        "index": 5,
        "size": 7,
        "proof": inclusion_proof(5, 7, stored.read),
        "root": stored.roots[7],
    }
    verify_inclusion(**truth)
    tell, reason = INCLUSION_LIES[lie]
    with pytest.raises(ProofError) as found_out:
        verify_inclusion(**tell(truth))
    assert found_out.value.reason == reason


@pytest.mark.parametrize("lie", CONSISTENCY_LIES)
def test_no_lie_about_the_history_is_believed(lie, stored):
    truth = {
        "size1": 6,
        "size2": 7,
        "root1": stored.roots[6],
        "root2": stored.roots[7],
        "proof": consistency_proof(6, 7, stored.read),
    }
    verify_consistency(**truth)
    tell, reason = CONSISTENCY_LIES[lie]
    with pytest.raises(ProofError) as found_out:
        verify_consistency(**tell(truth))
    assert found_out.value.reason == reason


def test_a_proof_for_one_size_does_not_hold_for_another_with_its_own_root(stored, entries):
    for size in range(1, 20):
        for other in set(range(1, 20)) - {size}:
            for index in range(min(size, other)):
                with pytest.raises(ProofError):
                    verify_inclusion(
                        leaf_hash(entries[index]),
                        index,
                        other,
                        inclusion_proof(index, size, stored.read),
                        stored.roots[other],
                    )


def test_a_proof_for_one_entry_does_not_hold_for_any_other(stored, entries):
    for size in range(2, 20):
        for index in range(size):
            hashes = inclusion_proof(index, size, stored.read)
            for other in set(range(size)) - {index}:
                with pytest.raises(ProofError):
                    verify_inclusion(leaf_hash(entries[index]), other, size, hashes, stored.roots[size])
                with pytest.raises(ProofError):
                    verify_inclusion(leaf_hash(entries[other]), other, size, hashes, stored.roots[size])


def test_a_rewritten_history_has_no_proof_from_the_old_one(stored, entries):
    for altered in range(20):
        rewritten = StoredTree([*entries[:altered], b"rewritten", *entries[altered + 1 : 24]])
        for size1 in range(altered + 1, 24):
            for size2 in range(size1, 25):
                for source in (stored, rewritten):
                    hashes = consistency_proof(size1, size2, source.read)
                    with pytest.raises(ProofError):
                        verify_consistency(size1, size2, stored.roots[size1], rewritten.roots[size2], hashes)


def test_nothing_but_the_empty_root_stands_for_the_empty_tree(stored):
    for size1, size2, root1, root2 in (
        (0, 7, OTHER, stored.roots[7]),
        (0, 0, EMPTY_ROOT, OTHER),
        (7, 7, OTHER, EMPTY_ROOT),
    ):
        with pytest.raises(ProofError) as found_out:
            verify_consistency(size1, size2, root1, root2, [])
        assert found_out.value.reason == "wrong_root"
