"""The tree and the entries cut into files that never change, so that anyone can mirror and cache the whole log.

A *tile* of level L is 256 hashes of the tree's level 8·L side by side: level 0 holds leaf hashes, level 1 the roots of
full level 0 tiles, and so on. An *entry bundle* is the entries under one level 0 tile. The tiles and the bundle at
the right edge of a tree are *partial*: as wide as the tree happens to be. A wider one replaces them later, but under
its own path, so they do not change either.

    70,000 entries     level 0  273 full, one of 112      the paths   0/000 … 0/272   0/273.p/112
                       level 1  one full, one of 17                   1/000           1/001.p/17
                       level 2  one of 1                                              2/000.p/1
                       entries  273 full, one of 112      entries/000 … entries/272   entries/273.p/112

Source: C2SP tlog-tiles.
"""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

from service.merkle.spelling import MAX_NUMBER
from service.merkle.tree import position

HEIGHT: Final = 8
FULL: Final = 1 << HEIGHT
"""How many hashes a full tile holds, and how many entries a full bundle."""

MAX_LEVEL: Final = 63
MAX_ENTRY_SIZE: Final = 0xFFFF
"""In bytes: what the length before an entry in a bundle can say."""

TileReason: TypeAlias = Literal["malformed_path", "malformed_bundle"]

_PATH: Final = re.compile(
    r"(?:entries|(?P<level>0|[1-9][0-9]?))"
    r"/(?P<index>(?:x[0-9]{3}/){0,6}[0-9]{3})"
    r"(?:\.p/(?P<width>[1-9][0-9]{0,2}))?"
)


class TileError(Exception):
    """A path names no tile, or bytes are no bundle.

    Attributes:
        reason: `malformed_path`, `malformed_bundle`.
    """

    def __init__(self, reason: TileReason, says: str) -> None:
        super().__init__(says)
        self.reason: TileReason = reason


@dataclass(frozen=True, slots=True)
class Tile:
    """Up to 256 hashes of one level of the tree.

    Attributes:
        level: of the tile, from 0 to 63; its hashes are the nodes of the tree's level 8·`level`.
        index: of the tile on its level, from 0.
        width: how many hashes it holds, from 1 to 256.

    Raises:
        ValueError: outside these ranges.
    """

    level: int
    index: int
    width: int = FULL

    def __post_init__(self) -> None:
        if not 0 <= self.level <= MAX_LEVEL:
            raise ValueError(f"no tile level {self.level}")
        _refuse_impossible(self.index, self.width)

    @property
    def path(self) -> str:
        """Where it is found under `tile/`."""
        return f"{self.level}/{_ending(self.index, self.width)}"

    @property
    def positions(self) -> list[int]:
        """Where its hashes are kept, in order; see `tree.position`. In the store only if the tile `fits` the tree."""
        first = self.index * FULL
        return [position(HEIGHT * self.level, first + offset) for offset in range(self.width)]

    def fits(self, size: int) -> bool:
        """Whether a tree of `size` leaves has all its hashes. A narrower one than the tree's own is that of an earlier
        tree, and fits as well.
        """
        return self.width <= _width(size >> HEIGHT * self.level, self.index)


@dataclass(frozen=True, slots=True)
class Bundle:
    """Up to 256 entries.

    Attributes:
        index: of the bundle, from 0; the same as that of the level 0 tile with the hashes of its entries.
        width: how many entries it holds, from 1 to 256.

    Raises:
        ValueError: outside these ranges.
    """

    index: int
    width: int = FULL

    def __post_init__(self) -> None:
        _refuse_impossible(self.index, self.width)

    @property
    def path(self) -> str:
        """Where it is found under `tile/`."""
        return f"entries/{_ending(self.index, self.width)}"

    @property
    def leaves(self) -> range:
        """The indexes of its entries in the log, from 0."""
        return range(self.index * FULL, self.index * FULL + self.width)

    def fits(self, size: int) -> bool:
        """Whether a log of `size` entries has all of its; as with tiles."""
        return self.width <= _width(size, self.index)


def parse_path(path: str) -> Tile | Bundle:
    """Read what follows `tile/` in the address of a tile or bundle, such as `0/x001/x234/067` or `entries/273.p/112`.

    Raises:
        TileError: `malformed_path`: not a path, or another spelling of one.
    """
    found = _PATH.fullmatch(path)
    if not found:
        raise TileError("malformed_path", f"not the path of a tile: {path[:80]!r}")
    index = int(found["index"].replace("x", "").replace("/", ""))
    width = int(found["width"] or FULL)
    try:
        named = Bundle(index, width) if found["level"] is None else Tile(int(found["level"]), index, width)
    except ValueError as refusal:
        raise TileError("malformed_path", str(refusal)) from None
    if named.path != path:  # a width of 256 written out, an index with zeroes in front
        raise TileError("malformed_path", f"the path is {named.path}, not {path[:80]}")
    return named


def tiles(size: int) -> Iterator[Tile]:
    """Every tile of a tree of `size` leaves, as wide as that tree makes it: what a mirror fetches. Level by level."""
    for level in range(MAX_LEVEL + 1):
        for index, width in _cut(size >> HEIGHT * level):
            yield Tile(level, index, width)


def bundles(size: int) -> Iterator[Bundle]:
    """Every entry bundle of a tree of `size` leaves, in order."""
    for index, width in _cut(size):
        yield Bundle(index, width)


def encode_bundle(entries: Sequence[bytes]) -> bytes:
    """Up to 256 entries, each after its length in two bytes, the more significant first.

    Raises:
        ValueError: no entry, more than 256, or one too long.
    """
    _refuse_impossible(0, len(entries))
    too_long = [len(entry) for entry in entries if len(entry) > MAX_ENTRY_SIZE]
    if too_long:
        raise ValueError(f"an entry has at most {MAX_ENTRY_SIZE} bytes, not {max(too_long)}")
    return b"".join(len(entry).to_bytes(2, "big") + entry for entry in entries)


def decode_bundle(data: bytes, width: int) -> list[bytes]:
    """The entries of a bundle that holds `width` of them.

    Raises:
        TileError: `malformed_bundle`: it holds more or fewer, or breaks off.
    """
    entries: list[bytes] = []
    start = 0
    while start < len(data):
        length = int.from_bytes(data[start : start + 2], "big")
        end = start + 2 + length
        if start + 2 > len(data) or end > len(data):
            raise TileError("malformed_bundle", f"breaks off inside entry {len(entries)}")
        entries.append(data[start + 2 : end])
        start = end
    if len(entries) != width:
        raise TileError("malformed_bundle", f"{len(entries)} entries, not {width}")
    return entries


def _cut(count: int) -> Iterator[tuple[int, int]]:
    """Index and width of the tiles that `count` hashes make: full ones and, if some are left, a partial one."""
    full, rest = divmod(count, FULL)
    yield from ((index, FULL) for index in range(full))
    if rest:
        yield full, rest


def _width(count: int, index: int) -> int:
    """How many of `count` hashes are in the tile `index`."""
    return min(max(count - index * FULL, 0), FULL)


def _ending(index: int, width: int) -> str:
    """Three digits to an element, an x before all but the last; and the width, unless full."""
    digits = str(index)
    digits = digits.zfill(len(digits) + -len(digits) % 3)
    *above, last = (digits[start : start + 3] for start in range(0, len(digits), 3))
    return "/".join([*(f"x{element}" for element in above), last]) + (f".p/{width}" if width < FULL else "")


def _refuse_impossible(index: int, width: int) -> None:
    if not 0 <= index <= MAX_NUMBER:
        raise ValueError(f"no tile {index}")
    if not 1 <= width <= FULL:
        raise ValueError(f"a tile is 1 to {FULL} wide, not {width}")
