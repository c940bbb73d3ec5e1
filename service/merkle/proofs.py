"""Proofs drawn from the tree, and how a stranger checks them: RFC 9162 sections 2.1.3 and 2.1.4.

An *inclusion proof* shows that an entry is in the tree with a given root; a *consistency proof* that one tree is
the beginning of another, so nothing recorded before was altered, dropped or moved. Both are a list of hashes,
about log₂(size) of them, in the order of the RFC.

Drawing a proof is trusted code of the ledger: an impossible question is a `ValueError`. Checking a proof is for whoever
does not trust the ledger: it returns nothing when the proof holds and raises `ProofError` with the reason when
it does not, so that a forgotten comparison cannot pass for a good proof.

A proof holds only against a size and a root that come together from one signed checkpoint: some wrong sizes have a
proof of the same shape, and nothing but the checkpoint says which size the root belongs to. And it holds for an entry
only if the checker hashed the entry's bytes itself: a hash taken on trust could be that of an inner node.
"""

from collections.abc import Iterator, Sequence
from itertools import islice
from typing import Literal, NamedTuple, TypeAlias

from service.merkle.tree import EMPTY_ROOT, HASH_SIZE, Read, fold, node_hash, span_positions

Reason: TypeAlias = Literal["impossible_size", "malformed_hash", "too_short", "too_long", "wrong_root"]


class ProofError(Exception):
    """A proof does not show what it claims to show.

    Attributes:
        reason: `impossible_size` (no such leaf or no such pair of trees), `malformed_hash` (not 32 bytes), `too_short`
            or `too_long` (the sizes want more or fewer hashes), `wrong_root` (the hashes lead elsewhere).
    """

    def __init__(self, reason: Reason, says: str) -> None:
        super().__init__(says)
        self.reason: Reason = reason


class _Span(NamedTuple):
    """A subtree, by the leaves it covers: from `start` up to `end`, which is excluded."""

    start: int
    end: int


def inclusion_proof(index: int, size: int, read: Read) -> list[bytes]:
    """PATH(index, D[size]): from the leaf upwards, the other child of every node on the way to the root.

    Args:
        index: of the leaf, from 0.
        size: of the tree to prove it in, which may be any size up to that of the stored tree.
        read: as `tree.Read`; called once, with no more than 2·log₂(size) positions.

    Raises:
        ValueError: `index` is not in a tree of `size`, or `read` answered with too few or too many.

    Source: RFC 9162 section 2.1.3.1, the recursion written as a walk from the root down.
    """
    if not 0 <= index < size:
        raise ValueError(f"no leaf {index} in a tree of {size}")
    spans = []
    start, end = 0, size
    while end - start > 1:
        middle = start + _split(end - start)
        if index < middle:
            spans.append(_Span(middle, end))
            end = middle
        else:
            spans.append(_Span(start, middle))
            start = middle
    return _read_spans(spans[::-1], read)


def consistency_proof(size1: int, size2: int, read: Read) -> list[bytes]:
    """PROOF(size1, D[size2]): what is needed to compute both roots, from the seam between the trees upwards.

    Empty when nothing needs showing: the sizes are equal, or `size1` is 0. The RFC leaves the latter undefined; every
    tree begins with the empty tree.

    Args:
        size1: of the earlier tree.
        size2: of the later tree, which may be any size up to that of the stored tree.
        read: as `tree.Read`; called once, with no more than 2·log₂(size2) positions.

    Raises:
        ValueError: not 0 ≤ `size1` ≤ `size2`, or `read` answered with too few or too many.

    Source: RFC 9162 section 2.1.4.1, the recursion written as a walk from the root down.
    """
    if not 0 <= size1 <= size2:
        raise ValueError(f"a tree of {size1} leaves is not the beginning of one of {size2}")
    if size1 == 0:
        return []
    spans = []
    start, end = 0, size2
    while end != size1:
        middle = start + _split(end - start)
        if size1 <= middle:
            spans.append(_Span(middle, end))
            end = middle
        else:
            spans.append(_Span(start, middle))
            start = middle
    if start:  # the subtree that ends at the seam is not the whole earlier tree: its root is not known to the checker
        spans.append(_Span(start, end))
    return _read_spans(spans[::-1], read)


def verify_inclusion(leaf_hash: bytes, index: int, size: int, proof: Sequence[bytes], root: bytes) -> None:
    """Check that a leaf is in a tree.

    Args:
        leaf_hash: computed by the caller from the entry's bytes.
        index: of the leaf, from 0.
        size: of the tree, from a checkpoint.
        proof: the hashes of the inclusion proof.
        root: of the tree, from the same checkpoint.

    Raises:
        ProofError: it is not, or this proof does not show it.

    Source: RFC 9162 section 2.1.3.2, r and p as there.
    """
    if not 0 <= index < size:
        raise ProofError("impossible_size", f"no leaf {index} in a tree of {size}")
    _refuse_malformed(leaf_hash, root, *proof)
    r = leaf_hash
    for p, on_the_left in _climb(index, size - 1, proof):
        r = node_hash(p, r) if on_the_left else node_hash(r, p)
    if r != root:
        raise ProofError("wrong_root", f"leaf {index} of {size} leads to root {r.hex()}, not {root.hex()}")


def verify_consistency(size1: int, size2: int, root1: bytes, root2: bytes, proof: Sequence[bytes]) -> None:
    """Check that the tree of `size1` leaves is the beginning of the tree of `size2`.

    Args:
        size1: of the earlier tree, from a checkpoint; 0 is allowed and wants an empty proof.
        size2: of the later tree, from a checkpoint.
        root1: of the earlier tree.
        root2: of the later tree.
        proof: the hashes of the consistency proof.

    Raises:
        ProofError: it is not, or this proof does not show it.

    Source: RFC 9162 section 2.1.4.2, fn, sn, fr, sr and c as there.
    """
    if not 0 <= size1 <= size2:
        raise ProofError("impossible_size", f"a tree of {size1} leaves is not the beginning of one of {size2}")
    _refuse_malformed(root1, root2, *proof)
    if size1 in (0, size2):
        _verify_trivial(size1, size2, root1, root2, proof)
        return
    if not proof:
        raise ProofError("too_short", f"no hashes at all between {size1} and {size2}")
    # A perfect earlier tree is a node of the later one: the climb starts at its root, which the proof leaves out.
    start, *path = [root1, *proof] if size1.bit_count() == 1 else proof
    fn, sn = size1 - 1, size2 - 1
    while fn & 1:
        fn, sn = fn >> 1, sn >> 1
    fr = sr = start
    for c, on_the_left in _climb(fn, sn, path):
        if on_the_left:
            fr = node_hash(c, fr)
        sr = node_hash(c, sr) if on_the_left else node_hash(sr, c)
    if fr != root1:
        raise ProofError("wrong_root", f"the tree of {size1} leads to root {fr.hex()}, not {root1.hex()}")
    if sr != root2:
        raise ProofError("wrong_root", f"the tree of {size2} leads to root {sr.hex()}, not {root2.hex()}")


def _verify_trivial(size1: int, size2: int, root1: bytes, root2: bytes, proof: Sequence[bytes]) -> None:
    """The pairs of trees that need no proof: the same size twice, and the empty tree with any other."""
    if proof:
        raise ProofError("too_long", f"nothing needs showing between {size1} and {size2}")
    for size, root in ((size1, root1), (size2, root2)):
        if size == 0 and root != EMPTY_ROOT:
            raise ProofError("wrong_root", f"{root.hex()} is not the root of the empty tree")
    if size1 == size2 and root1 != root2:
        raise ProofError("wrong_root", f"two different roots for one size, {size1}")


def _climb(fn: int, sn: int, path: Sequence[bytes]) -> Iterator[tuple[bytes, bool]]:
    """From a node to the root: each hash of the path, and whether it stands to the left of what was computed so far.

    Args:
        fn: the index of the node on its level.
        sn: the index of the last node on that level.
        path: the hashes it meets on its way up.

    Raises:
        ProofError: the root was reached with hashes left over, or not reached with all of them.

    Source: the loop that RFC 9162 sections 2.1.3.2 and 2.1.4.2 have in common.
    """
    for node in path:
        if sn == 0:
            raise ProofError("too_long", "the proof has more hashes than there are levels to climb")
        on_the_left = bool(fn & 1) or fn == sn
        yield node, on_the_left
        while on_the_left and fn and not fn & 1:  # the last node of a level may have no partner: it rises unchanged
            fn, sn = fn >> 1, sn >> 1
        fn, sn = fn >> 1, sn >> 1
    if sn != 0:
        raise ProofError("too_short", "the proof has fewer hashes than there are levels to climb")


def _split(width: int) -> int:
    """The largest power of two smaller than `width`, which is at least 2. Source: RFC 9162 section 2.1.1."""
    return 1 << ((width - 1).bit_length() - 1)


def _read_spans(spans: Sequence[_Span], read: Read) -> list[bytes]:
    """The root of each span, all their perfect subtrees read at once. At most one span has more than one."""
    groups = [span_positions(span.start, span.end) for span in spans]
    positions = [place for group in groups for place in group]
    if not positions:
        return []
    hashes = read(positions)
    if len(hashes) != len(positions):
        raise ValueError(f"asked storage for {len(positions)} nodes and was given {len(hashes)}")
    stream = iter(hashes)
    return [next(stream) if len(group) == 1 else fold(list(islice(stream, len(group)))) for group in groups]


def _refuse_malformed(*hashes: bytes) -> None:
    for node in hashes:
        if len(node) != HASH_SIZE:
            raise ProofError("malformed_hash", f"a hash has {HASH_SIZE} bytes, not {len(node)}")
