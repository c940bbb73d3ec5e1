import pymerkle
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.merkle.tree import (
    EMPTY_EDGE,
    EMPTY_ROOT,
    Edge,
    append,
    edge_positions,
    fold,
    leaf_hash,
    node_count,
    node_hash,
    position,
    read_edge,
    root,
    span_positions,
)
from tests.merkle.reference import mth
from tests.merkle.stored import StoredTree


def test_leaves_nodes_and_roots_are_the_published_ones(vectors):
    leaves = [bytes.fromhex(leaf) for leaf in vectors["leaves_hex"]]
    assert [leaf_hash(leaf).hex() for leaf in leaves] == vectors["leaf_hashes"]
    assert [tree_root.hex() for tree_root in StoredTree(leaves).roots] == vectors["roots_0_to_8"]
    assert leaf_hash(b"L123456").hex() == vectors["named_hashes"]["leaf('L123456')"]
    assert node_hash(b"N123", b"N456").hex() == vectors["named_hashes"]["node('N123','N456')"]


def test_an_inner_node_cannot_pass_for_an_entry_with_the_same_bytes():
    left, right = leaf_hash(b"left"), leaf_hash(b"right")
    assert leaf_hash(left + right) != node_hash(left, right)


def test_the_root_at_every_size_is_the_one_the_recursion_gives(stored, entries):
    assert stored.roots == [mth(entries[:size]) for size in range(len(entries) + 1)]


def test_the_root_at_every_size_is_the_one_an_independent_library_gives(stored, entries):
    oracle = pymerkle.InmemoryTree(algorithm="sha256")
    assert oracle.get_root() == EMPTY_ROOT
    for size, entry in enumerate(entries, start=1):
        oracle.append_entry(entry)
        assert stored.roots[size] == oracle.get_root(size)


@settings(deadline=None, max_examples=60)
@given(st.lists(st.lists(st.binary(max_size=8), max_size=12), max_size=8))
def test_it_makes_no_difference_in_which_batches_entries_arrive(batches):
    together = [entry for batch in batches for entry in batch]
    in_batches = StoredTree()
    for batch in batches:
        in_batches.add(batch)
    one_by_one = StoredTree(together)
    assert in_batches.nodes == one_by_one.nodes
    assert in_batches.edge == one_by_one.edge
    assert root(in_batches.edge) == mth(together)


def test_appending_nothing_changes_nothing(stored):
    edge, nodes = append(stored.edge, [])
    assert edge == stored.edge
    assert nodes == []
    assert append(EMPTY_EDGE, []).edge == EMPTY_EDGE


def test_the_edge_that_was_appended_to_still_stands(entries):
    before = StoredTree(entries[:7]).edge
    after, _ = append(before, map(leaf_hash, entries[7:9]))
    assert before == StoredTree(entries[:7]).edge
    assert root(before) == mth(entries[:7])
    assert root(after) == mth(entries[:9])


def test_every_position_holds_the_root_of_the_leaves_its_node_covers(stored, entries):
    taken = set()
    for level in range(7):
        for index in range(len(entries) >> level):
            place = position(level, index)
            taken.add(place)
            assert stored.nodes[place] == mth(entries[index << level : (index + 1) << level])
    assert taken == set(range(node_count(len(entries))))


def test_a_tree_of_n_leaves_has_two_n_less_the_one_bits_of_n_complete_nodes(entries):
    growing = StoredTree()
    for size, entry in enumerate(entries, start=1):
        growing.add([entry])
        assert len(growing.nodes) == node_count(size) == 2 * size - sum(size >> bit & 1 for bit in range(8))


@settings(deadline=None)
@given(st.integers(0, 40), st.integers(0, 2**60))
def test_a_parent_comes_right_after_its_right_child_and_no_two_nodes_share_a_place(level, index):
    parent, left, right = position(level + 1, index), position(level, 2 * index), position(level, 2 * index + 1)
    assert parent == right + 1
    assert left == right - (2 ** (level + 1) - 1)


@settings(deadline=None)
@given(st.integers(0, 2**62))
def test_the_edge_is_one_subtree_for_each_one_bit_and_ends_where_the_nodes_end(size):
    places = edge_positions(size)
    assert len(places) == size.bit_count()
    assert places == sorted(places)
    if places:
        assert places[-1] == node_count(size) - 1


def test_the_edge_of_any_earlier_size_is_read_back_at_once(stored, entries):
    for size in range(1, len(entries) + 1):
        stored.reads.clear()
        edge = read_edge(size, stored.read)
        assert edge == StoredTree(entries[:size]).edge
        assert root(edge) == stored.roots[size]
        assert stored.reads == [edge_positions(size)]


def test_nothing_is_read_for_the_empty_tree(stored):
    stored.reads.clear()
    assert read_edge(0, stored.read) == EMPTY_EDGE
    assert root(EMPTY_EDGE) == EMPTY_ROOT
    assert stored.reads == []


def test_any_aligned_stretch_of_leaves_folds_to_its_own_root(stored, entries):
    for level in range(7):
        for start in range(0, len(entries), 1 << level):
            for end in range(start + 1, min(start + (1 << level), len(entries)) + 1):
                assert fold(stored.read(span_positions(start, end))) == mth(entries[start:end])


def test_data_in_the_place_of_its_hash_is_refused():
    for batch in ([b"an entry, not its hash"], [b"an entry", b"and the next"]):
        with pytest.raises(ValueError):
            append(EMPTY_EDGE, batch)


def test_an_edge_that_does_not_fit_its_size_is_refused():
    node = leaf_hash(b"")
    for size, hashes in ((0, (node,)), (3, (node,)), (4, (node, node)), (-1, (node,)), (1, (b"short",))):
        with pytest.raises(ValueError):
            Edge(size, hashes)


def test_storage_that_leaves_a_node_out_is_found_out(stored):
    with pytest.raises(ValueError):
        read_edge(7, lambda positions: stored.read(positions)[1:])


def test_places_and_sizes_below_zero_do_not_exist(stored):
    for level, index in ((-1, 0), (0, -1)):
        with pytest.raises(ValueError):
            position(level, index)
    with pytest.raises(ValueError):
        read_edge(-1, stored.read)
