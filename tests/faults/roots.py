"""RFC 9162 section 2.1.1 once more, as a recursion over stored leaves: nothing here is shared with the service.

Subtrees that are full never change, so their hashes are kept; a root for every prefix then costs little.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from functools import cache


class Roots:
    """Roots of the prefixes of a list of leaf hashes."""

    def __init__(self, leaves: Sequence[bytes]) -> None:
        self._leaves = leaves
        self._full = cache(self._node)

    def root(self, size: int) -> bytes:
        """MTH of the first ``size`` leaves."""
        return hashlib.sha256().digest() if size == 0 else self._mth(0, size)

    def _mth(self, start: int, end: int) -> bytes:
        width = end - start
        return self._full(start, end) if width & (width - 1) == 0 else self._node(start, end)

    def _node(self, start: int, end: int) -> bytes:
        if end - start == 1:
            return self._leaves[start]
        k = 1 << ((end - start - 1).bit_length() - 1)  # the largest power of two smaller than the width
        return hashlib.sha256(b"\x01" + self._mth(start, start + k) + self._mth(start + k, end)).digest()

    def nodes(self) -> Iterator[bytes]:
        """Every full subtree, each right after the last leaf under it, the smaller before the bigger."""
        for leaf in range(1, len(self._leaves) + 1):
            width = 1
            while leaf % width == 0:
                yield self._mth(leaf - width, leaf)
                width *= 2


def leaf_hash(text: bytes) -> bytes:
    """SHA-256(0x00 ‖ entry)."""
    return hashlib.sha256(b"\x00" + text).digest()
