"""Stretches of one tree hashed by several hands give the tree that one hand would have made."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from service.merkle.span import GrowingTree, fold_stretch
from service.merkle.tree import EMPTY_EDGE, append, leaf_hash


@given(st.lists(st.integers(0, 70), max_size=8))
def test_any_cut_of_the_leaves_grows_to_the_same_edge(lengths: list[int]) -> None:
    leaves = [leaf_hash(b"%d" % number) for number in range(sum(lengths))]
    tree, start = GrowingTree(), 0
    for length in lengths:
        tree.extend(fold_stretch(start, leaves[start : start + length]))
        start += length
    assert tree.edge == append(EMPTY_EDGE, leaves).edge


def test_a_stretch_is_a_row_of_perfect_subtrees_small_big_small() -> None:
    """Leaves 3 to 12 of a tree: one, a four, a four, one."""
    assert [subtree.level for subtree in fold_stretch(3, [bytes([number]) * 32 for number in range(10)])] == [
        0,
        2,
        2,
        0,
    ]


def test_stretches_put_together_in_another_order_are_another_tree() -> None:
    leaves = [leaf_hash(b"%d" % number) for number in range(4)]
    tree = GrowingTree()
    tree.extend(fold_stretch(0, leaves[2:]))
    tree.extend(fold_stretch(2, leaves[:2]))
    assert tree.edge != append(EMPTY_EDGE, leaves).edge
