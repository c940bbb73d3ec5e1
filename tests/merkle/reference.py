"""RFC 9162 sections 2.1.1, 2.1.3.1 and 2.1.4.1 written out as the recursion they are, used only as an oracle.

D is the list of entries, as bytes. Hashes are computed here once more, so that nothing is shared with what is tested.
"""

import hashlib
from collections.abc import Sequence


def mth(d: Sequence[bytes]) -> bytes:
    """MTH(D[n]), the Merkle Tree Hash."""
    n = len(d)
    if n == 0:
        return hashlib.sha256().digest()
    if n == 1:
        return hashlib.sha256(b"\x00" + d[0]).digest()
    k = largest_power_of_two_below(n)
    return hashlib.sha256(b"\x01" + mth(d[:k]) + mth(d[k:])).digest()


def path(m: int, d: Sequence[bytes]) -> list[bytes]:
    """PATH(m, D[n]), the inclusion proof of the entry m."""
    n = len(d)
    if n == 1:
        return []
    k = largest_power_of_two_below(n)
    if m < k:
        return [*path(m, d[:k]), mth(d[k:])]
    return [*path(m - k, d[k:]), mth(d[:k])]


def proof(m: int, d: Sequence[bytes]) -> list[bytes]:
    """PROOF(m, D[n]), the consistency proof between the first m entries and all of them, 0 < m <= n."""
    return subproof(m, d, b=True)


def subproof(m: int, d: Sequence[bytes], *, b: bool) -> list[bytes]:
    """SUBPROOF(m, D[n], b); b says whether the checker knows the hash of the subtree already."""
    n = len(d)
    if m == n:
        return [] if b else [mth(d)]
    k = largest_power_of_two_below(n)
    if m <= k:
        return [*subproof(m, d[:k], b=b), mth(d[k:])]
    return [*subproof(m - k, d[k:], b=False), mth(d[:k])]


def largest_power_of_two_below(n: int) -> int:
    k = 1
    while k * 2 < n:
        k *= 2
    return k
