"""An export whose lines are not in order, gone through one by one: what differs, and where. Pure.

Where one byte of an entry was changed, the leaf hash that stands before it tells which: there are few entries that
differ from this one in a byte, and one of them has that hash.
"""

from __future__ import annotations

import re
from binascii import b2a_base64
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from hashlib import sha256
from typing import Any

import orjson

from service.ledger.difference import first_difference, said
from service.ledger.export_format import HASH_LENGTH
from service.merkle.canonical import canonical
from service.merkle.spelling import base64_bytes
from service.merkle.tree import EMPTY_EDGE, HASH_SIZE, Edge, append, leaf_hash

MOST_WRONG = 20
"""How many differences are told."""
_MOST_MENDED = 2_048
"""Bytes of the longest entry in which a changed byte is looked for."""
_MOST_LOOKED_FOR = 3
_FORMS = {
    "id": re.compile(r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}"),
    "recorded_at": re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{6}Z"),
    "type": re.compile(r"[a-z_]+\.[a-z_]+"),
}


@dataclass(frozen=True, slots=True)
class Wrong:
    """One difference: on which line, in which entry, in which member (RFC 6901 pointer), and in words."""

    says: str
    line: int | None = None
    seq: int | None = None
    member: str | None = None

    def __str__(self) -> str:
        where = [f"line {self.line}"] if self.line is not None else []
        where += [f"seq {self.seq}"] if self.seq is not None else []
        where += [self.member] if self.member else []
        return f"{', '.join(where)}: {self.says}" if where else self.says


@dataclass
class Explained:
    """What was found so far, and what the next line should be."""

    facility: str
    suspects: frozenset[int] = frozenset()
    """Numbers of ids that occur more than once; see ``number_of``."""
    wrong: list[Wrong] = field(default_factory=list)
    stated: Edge = EMPTY_EDGE
    """The tree over the leaf hashes that stand before the entries."""
    _seq: int = 1
    _last_at: str = ""
    _ids: dict[str, int] = field(default_factory=dict)
    _looked_for: int = 0

    def explain(self, lines: Iterable[tuple[int, bytes]]) -> None:
        """Go through numbered lines, until enough is found."""
        for number, line in lines:
            self.wrong += self._line(number, line)
            self._seq += 1
            if len(self.wrong) >= MOST_WRONG:
                return

    def _line(self, number: int, line: bytes) -> Iterator[Wrong]:
        if not line.endswith(b"\n"):
            yield Wrong("the file ends inside this line, or it is longer than an entry may be", number, self._seq)
            return
        leaf, content = _leaf(line), line[HASH_LENGTH + 1 : -1]
        if leaf is None:
            yield Wrong("it does not begin with a leaf hash", number, self._seq)
        self.stated = append(self.stated, [leaf or leaf_hash(content)]).edge
        if len(line) == HASH_LENGTH + 1:
            return
        if line[HASH_LENGTH : HASH_LENGTH + 1] != b" ":
            yield Wrong("after the leaf hash a space belongs", number, self._seq)
        if leaf is not None and leaf_hash(content) != leaf:
            yield from self._changed(number, leaf, content)
        else:
            yield from self._entry(number, content)

    def _changed(self, number: int, leaf: bytes, content: bytes) -> Iterator[Wrong]:
        """The content does not have the hash that stands before it."""
        found, stands = b2a_base64(leaf_hash(content)), b2a_base64(leaf)
        if sum(one != other for one, other in zip(found, stands, strict=True)) == 1:
            yield Wrong("the leaf hash is written wrong by one character; the entry is as it was", number, self._seq)
            yield from self._entry(number, content)
            return
        if (end := _swallowed(leaf, content)) is not None:
            yield Wrong(f"after the entry a line feed belongs, not {_shown(content[end : end + 1])}", number, self._seq)
            self._seq += 1
            return
        self._looked_for += 1
        was = _mended(leaf, content) if self._looked_for <= _MOST_LOOKED_FOR else None
        if was is None:
            yield Wrong(
                f"this is not the entry that was logged: its hash is another{_broken(content)}", number, self._seq
            )
            self._take(_read(content))
        else:
            yield _told(number, self._seq, was, content)
            yield from self._entry(number, was)

    def _entry(self, number: int, content: bytes) -> Iterator[Wrong]:
        body = _read(content)
        if body is None:
            yield Wrong("this is no entry", number, self._seq)
            return
        for member, says in self._members(body, content):
            yield Wrong(says, number, self._seq, member)
        self._take(body)

    def _members(self, body: dict[str, Any], content: bytes) -> Iterator[tuple[str | None, str]]:
        if not _is_canonical(body, content):
            yield None, "it is not in canonical form (RFC 8785)"
        for name, form in _FORMS.items():
            if not isinstance(body.get(name), str) or not form.fullmatch(body[name]):
                yield f"/{name}", f"this is none: {body.get(name)!r}"
        if body.get("facility") != self.facility:
            yield "/facility", f"{body.get('facility')!r}, where the ledger is that of {self.facility!r}"
        if body.get("seq") != self._seq:
            yield "/seq", f"{body.get('seq')}, where {self._seq} follows"
        if str(body.get("recorded_at")) < self._last_at:
            yield "/recorded_at", f"{body.get('recorded_at')} is earlier than that of the entry before, {self._last_at}"
        if (first := self._seen(str(body.get("id")))) is not None:
            yield "/id", f"the entry {first} has this id too"

    def _seen(self, id_: str) -> int | None:
        if not self.suspects or number_of(id_) not in self.suspects:
            return None
        return self._ids.get(id_) if self._ids.setdefault(id_, self._seq) != self._seq else None

    def _take(self, body: dict[str, Any] | None) -> None:
        """Go on from what this entry says: one that is missing is told once."""
        if body is not None:
            seq = body.get("seq")
            self._seq = seq if isinstance(seq, int) and seq > 0 else self._seq
            self._last_at = max(self._last_at, str(body.get("recorded_at")))


def number_of(id_: str) -> int | None:
    """The number that stands for an id; None for what is no id."""
    if not _FORMS["id"].fullmatch(id_):
        return None
    halves = memoryview(bytes.fromhex(id_.replace("-", ""))).cast("q")
    return int(halves[0] ^ halves[1])


def _leaf(line: bytes) -> bytes | None:
    try:
        leaf = base64_bytes(line[:HASH_LENGTH].decode("ascii"))
    except ValueError:
        return None
    return leaf if len(leaf) == HASH_SIZE else None


def _read(content: bytes) -> dict[str, Any] | None:
    try:
        body = orjson.loads(content)
    except ValueError:
        return None
    return body if isinstance(body, dict) else None


def _broken(content: bytes) -> str:
    """Where it ceases to be JSON, if it does."""
    try:
        orjson.loads(content)
    except orjson.JSONDecodeError as trouble:
        return f"; it is no JSON from byte {trouble.pos + 1} on"
    return ""


def _is_canonical(body: dict[str, Any], content: bytes) -> bool:
    try:
        return canonical(body) == content
    except (TypeError, ValueError):
        return False


_NEXT = re.compile(rb"\}[^\n][A-Za-z0-9+/]{43}=(?: |$)")


def _swallowed(leaf: bytes, content: bytes) -> int | None:
    """Where the entry ends, if the line feed after it was changed and the next entry stands on the same line."""
    ends = (found.start() + 1 for found in _NEXT.finditer(content))
    return next((end for end in ends if leaf_hash(content[:end]) == leaf), None)


def _mended(leaf: bytes, content: bytes) -> bytes | None:
    """The entry with this hash that differs in one byte; None where there is none."""
    if len(content) > _MOST_MENDED:
        return None
    for place in range(len(content)):
        before, after = b"\0" + content[:place], content[place + 1 :]
        so_far = sha256(before)
        for byte in range(256):
            tried = so_far.copy()
            tried.update(bytes((byte,)) + after)
            if tried.digest() == leaf:
                return content[:place] + bytes((byte,)) + after
    return None


def _told(number: int, seq: int, was: bytes, content: bytes) -> Wrong:
    """Which member a changed byte is in, with what was logged and what stands there now."""
    logged, found = _read(was), _read(content)
    place = next(index for index, (one, other) in enumerate(zip(was, content, strict=True)) if one != other)
    if logged is None or found is None or (apart := first_difference(logged, found)) is None:
        byte = f"byte {place + 1} of the entry: {_shown(was[place : place + 1])} was logged"
        return Wrong(f"{byte}, {_shown(content[place : place + 1])} stands here", number, seq)
    member, one, other = apart
    return Wrong(f"{said(one)} was logged, {said(other)} stands here", number, seq, member)


def _shown(byte: bytes) -> str:
    return repr(byte.decode("latin-1")) if byte.isascii() else f"0x{byte.hex()}"
