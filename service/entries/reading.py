"""From bytes to plain values, strictly: what JSON allows in grammar but a ledger cannot keep is refused here.

Numbers with a fraction arrive as the digits that were sent (``LosslessFloat``), never as floats.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator, Sequence
from itertools import islice
from typing import Any

import jiter

from service.entries.refusals import MOST_FAULTS, Fault, Unreadable, pointer


def read_json(body: bytes) -> Any:
    """The JSON value in ``body`` (UTF-8).

    Raises:
        Unreadable: not JSON, not UTF-8, NaN or infinity, a duplicate key, a lone surrogate; each fault has its pointer
            where the text can be followed so far.
    """
    try:
        return jiter.from_json(body, float_mode="lossless-float", catch_duplicate_keys=True, allow_inf_nan=False)
    except ValueError as why:
        faults = _faults(body) or [Fault("", "not_json", str(why))]
        raise Unreadable(faults[0].detail, faults) from None


class _Twice(dict[str, Any]):
    """An object in which a key stood twice."""

    key: str | None = None


class _NotANumber:
    """NaN or an infinity."""


def _faults(body: bytes) -> list[Fault]:
    """Read once more, slowly and leniently, to say where the trouble is: as much of it as a refusal names."""
    try:
        text = body.decode()
    except UnicodeDecodeError as why:
        return [Fault("", "not_utf8", f"not UTF-8 at byte {why.start}")]
    try:
        value = json.loads(text, object_pairs_hook=_object, parse_constant=lambda _: _NotANumber())
    except (ValueError, RecursionError):  # not JSON, an integer of thousands of digits, thousands of levels
        return []
    return list(islice(_trouble(value), MOST_FAULTS))


def _object(members: list[tuple[str, Any]]) -> dict[str, Any]:
    found = _Twice(members)
    if len(found) < len(members):
        found.key = next(name for name, count in Counter(name for name, _ in members).items() if count > 1)
    return found


def _trouble(value: Any) -> Iterator[Fault]:
    """What is wrong in it, in the order of the text: a walk, because a call for each level is more than Python has."""
    yield from _wrong((), value)
    path: list[Any] = []
    levels = [_members(value)]
    while levels:
        step, member = next(levels[-1], (None, None))
        if step is None:
            levels.pop()
            del path[-1:]
            continue
        path.append(step)
        yield from _wrong(path, member)
        levels.append(_members(member))


def _members(value: Any) -> Iterator[tuple[Any, Any]]:
    match value:
        case dict():
            return ((name, member) for name, member in value.items() if _encodable(name))
        case list():
            return iter(enumerate(value))
    return iter(())


def _wrong(path: Sequence[Any], value: Any) -> Iterator[Fault]:
    """What is wrong with this value, whatever is in it."""
    match value:
        case _NotANumber():
            yield Fault(pointer(path), "not_a_number", "NaN and infinity are not numbers that can be measured")
        case str() if not _encodable(value):
            yield Fault(pointer(path), "lone_surrogate", "half a surrogate pair is not text")
        case _Twice():
            if value.key is not None and _encodable(value.key):
                yield Fault(pointer((*path, value.key)), "duplicate_key", "this member stands twice")
            if not all(map(_encodable, value)):
                yield Fault(pointer(path), "lone_surrogate", "half a surrogate pair is not text")


def _encodable(text: str) -> bool:
    return not any("\ud800" <= character <= "\udfff" for character in text)
