"""A stretch of an export's lines, checked for itself: leaf hashes, order, times, ids. Pure: bytes in, findings out.

Most stretches are as they should be, so the work is done on all lines at once and says no more than that. A stretch
that is not in order is gone through again line by line by ``verify_line``, which says what differs and where.
"""

from __future__ import annotations

import re
from array import array
from binascii import b2a_base64
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from hashlib import sha256
from itertools import accumulate
from operator import xor
from typing import TypeAlias

import orjson

from service.ledger.export_format import HASH_LENGTH
from service.merkle.canonical import canonical
from service.merkle.span import Subtree, fold_stretch
from service.merkle.spelling import base64_bytes
from service.merkle.tree import HASH_SIZE

_CONTENT = HASH_LENGTH + 1
_TAIL = (
    rb',"facility":"%s","id":"([0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12})","occurred_at":"[^"\\]+"'
    rb'(?:,"rebuild":"([0-9a-f-]{36})")?,"recorded_at":"(\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{6}Z)"'
    rb'(?:,"scopes":\[[a-z",]*\])?,"seq":([1-9]\d*),"type":"([a-z_.]+)"(?:,"v":\d+)?}\n'
)
"""How every entry ends: a canonical entry has its members in this order, and its data before them."""
Offsets: TypeAlias = "array[int]"


@dataclass
class Index:
    """Where, in the file, the entries stand that judging asks for; each place is that of an entry's content."""

    rebuilds: dict[bytes, Offsets] = field(default_factory=dict)
    """By rebuild: all that name it, corrections and judgements too."""
    opened: dict[bytes, list[bytes]] = field(default_factory=dict)
    """By asset, in JSON: rebuilds with an opening that names it."""
    assets: dict[bytes, Offsets] = field(default_factory=dict)
    """By asset, in JSON: what changes its register, and adjustments outside any rebuild."""
    register: Offsets = field(default_factory=lambda: array("q"))
    """What is about the facility, procedures or instruments."""
    corrections: Offsets = field(default_factory=lambda: array("q"))
    judgements: int = 0

    def take(self, other: Index) -> None:
        """Add what stands further down."""
        for mine, theirs in ((self.rebuilds, other.rebuilds), (self.assets, other.assets)):
            for name, places in theirs.items():
                mine.setdefault(name, array("q")).extend(places)
        for name, rebuilds in other.opened.items():
            self.opened.setdefault(name, []).extend(rebuilds)
        self.register.extend(other.register)
        self.corrections.extend(other.corrections)
        self.judgements += other.judgements


@dataclass(frozen=True, slots=True)
class Stretch:
    """What was found: of the lines, and (if asked for) of the entries on them.

    ``start`` is the index of the first leaf as the first entry says; None where none shows. ``in_order`` is False as
    soon as anything at all is not as it should be.
    """

    lines: int
    withheld: int
    in_order: bool
    start: int | None
    subtrees: Sequence[Subtree]
    leaves: Sequence[bytes] = ()
    """The leaf hashes, where ``start`` is not known and they cannot be folded."""
    entries: Entries | None = None


@dataclass(frozen=True, slots=True)
class Entries:
    """Of the entries in a stretch: when the first and the last were recorded, and a number for each id."""

    first_at: bytes
    last_at: bytes
    keys: Offsets
    index: Index


def read_stretch(data: bytes, place: int, facility: str, *, entries: bool) -> Stretch:
    """Check whole lines.

    Args:
        data: the lines, each with its line feed.
        place: of the first of them in the file.
        facility: code of the facility, which every entry names.
        entries: look into them too, for order, times and ids, and note where those stand that judging asks for.
    """
    lines = data.split(b"\n")
    in_order = lines.pop() == b""
    hidden = {number: line for number, line in enumerate(lines) if len(line) == HASH_LENGTH}
    shown = [line for line in lines if len(line) != HASH_LENGTH] if hidden else lines
    hashes = [sha256(b"\0" + line[_CONTENT:]).digest() for line in shown]
    stated = [b2a_base64(leaf, newline=False) + b" " for leaf in hashes]
    in_order = in_order and stated == [line[:_CONTENT] for line in shown]
    leaves = _with_hidden(hashes, hidden)
    numbers = [number for number in range(len(lines)) if number not in hidden] if hidden else range(len(lines))
    start = _seq(shown[0]) - 1 - numbers[0] if shown else None
    in_order = in_order and leaves is not None and (start is None or start >= 0)
    found = _entries(data, lines, numbers, place, facility, start) if entries else None
    in_order = in_order and bool(found or not entries)
    return Stretch(
        lines=len(lines),
        withheld=len(hidden),
        in_order=in_order,
        start=start,
        subtrees=fold_stretch(start, leaves) if in_order and leaves is not None and start is not None else (),
        leaves=leaves or () if start is None else (),
        entries=found,
    )


def _seq(line: bytes) -> int:
    """The seq that an entry says; 0, which none has, where it says none."""
    digits = line[line.rfind(b',"seq":') + 7 :].partition(b",")[0]
    return int(digits) if digits.isdigit() and len(digits) < _MOST_DIGITS else 0


_MOST_DIGITS = 17


def _canonical(content: bytes) -> bool:
    """Is it spelled in the one way? Otherwise two readers could read two things, where a member stands twice, say."""
    try:
        body = orjson.loads(content)
        return orjson.dumps(body, option=orjson.OPT_SORT_KEYS) == content or canonical(body) == content
    except (ValueError, TypeError):
        return False


def _entries(
    data: bytes, lines: Sequence[bytes], numbers: Sequence[int], place: int, facility: str, start: int | None
) -> Entries | None:
    """What the entries say; None where they do not follow one another, or are not as entries are."""
    tails = _tails(facility).findall(data)
    times = [tail[2] for tail in tails]
    seqs = [(start or 0) + 1 + number for number in numbers]
    if [int(tail[3]) for tail in tails] != seqs or times != sorted(times):
        return None
    if not all(_canonical(lines[number][_CONTENT:]) for number in numbers):
        return None
    keys = _keys(b"".join([tail[0] for tail in tails]))
    index = _index(lines, tails, place, numbers)
    return Entries(times[0] if times else b"", times[-1] if times else b"", keys, index)


def _with_hidden(hashes: list[bytes], hidden: Mapping[int, bytes]) -> list[bytes] | None:
    """The leaf hashes of all lines; None where one that stands alone is none."""
    leaves = list(hashes)
    for number, line in hidden.items():
        try:
            leaves.insert(number, base64_bytes(line.decode("ascii")))
        except ValueError:
            return None
    return leaves if all(len(leaf) == HASH_SIZE for leaf in leaves) else None


def _keys(ids: bytes) -> Offsets:
    numbers = memoryview(bytes.fromhex(ids.replace(b"-", b"").decode("ascii"))).cast("q").tolist()
    return array("q", map(xor, numbers[::2], numbers[1::2]))


_REGISTER = (b"facility.", b"instrument.", b"procedure.")
_OF_AN_ASSET = frozenset({b"asset.registered", b"asset.amended", b"asset.exchanged", b"asset.retired"})


def _index(lines: Sequence[bytes], tails: Sequence[Sequence[bytes]], place: int, numbers: Sequence[int]) -> Index:
    index = Index()
    places = list(accumulate((len(line) + 1 for line in lines), initial=place))
    for number, (_, rebuild, _, _, type_) in zip(numbers, tails, strict=True):
        content = places[number] + _CONTENT
        if type_ == b"entry.corrected":
            index.corrections.append(content)
        if rebuild:
            index.rebuilds.setdefault(rebuild, array("q")).append(content)
            if type_ == b"rebuild.opened":
                index.opened.setdefault(asset_in(lines[number][_CONTENT:]), []).append(rebuild)
            elif type_ == b"rebuild.judged":
                index.judgements += 1
        elif type_ in _OF_AN_ASSET or type_ == b"setting.adjusted":
            index.assets.setdefault(asset_in(lines[number][_CONTENT:]), array("q")).append(content)
        elif type_.startswith(_REGISTER):
            index.register.append(content)
    return index


_ASSET = re.compile(rb'\{"asset":("(?:[^"\\]|\\.)*")')


def asset_in(content: bytes) -> bytes:
    """The asset an entry names, in JSON; empty where it names none. Canonical JSON has it first."""
    found = _ASSET.match(content)
    return found[1] if found else b""


def repeated(keys: Sequence[Offsets], at_once: int = 2_000_000) -> set[int]:
    """The numbers that occur more than once, looked for in as many turns as keep the memory flat."""
    turns = 1 + sum(map(len, keys)) // at_once
    found: set[int] = set()
    for turn in range(turns):
        seen: set[int] = set()
        for some in keys:
            mine = some if turns == 1 else [key for key in some if key % turns == turn]
            before = len(seen)
            seen.update(mine)
            if len(seen) - before != len(mine):
                found |= _twice(keys, turn, turns)
                break
    return found


def _twice(keys: Sequence[Offsets], turn: int, turns: int) -> set[int]:
    once: set[int] = set()
    found: set[int] = set()
    for some in keys:
        for key in some:
            if key % turns == turn:
                (found if key in once else once).add(key)
    return found


def ids_in(data: bytes, place: int, facility: str) -> Iterator[tuple[bytes, int]]:
    """(id, place of the content) of every entry whose content shows, in a stretch that is in order."""
    tails = iter(_tails(facility).findall(data))
    start = place
    for line in data.split(b"\n")[:-1]:
        if len(line) != HASH_LENGTH:
            yield next(tails)[0], start + _CONTENT
        start += len(line) + 1


@cache
def _tails(facility: str) -> re.Pattern[bytes]:
    return re.compile(_TAIL % re.escape(facility.encode()))
