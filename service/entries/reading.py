"""From bytes to plain values, strictly: what JSON allows in grammar but a ledger cannot keep is refused here.

Numbers with a fraction arrive as the digits that were sent (``LosslessFloat``), never as floats.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import jiter

from service.entries.refusals import Fault, Unreadable, pointer


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

    key = ""


class _NotANumber:
    """NaN or an infinity."""


def _faults(body: bytes) -> list[Fault]:
    """Read once more, slowly and leniently, to say where the trouble is."""
    try:
        text = body.decode()
    except UnicodeDecodeError as why:
        return [Fault("", "not_utf8", f"not UTF-8 at byte {why.start}")]

    def pairs(members: list[tuple[str, Any]]) -> dict[str, Any]:
        seen = _Twice(members)
        names = [name for name, _ in members]
        seen.key = next((name for name in names if names.count(name) > 1), "") if len(seen) < len(names) else ""
        return seen

    try:
        value = json.loads(text, object_pairs_hook=pairs, parse_constant=lambda _: _NotANumber())
    except (ValueError, RecursionError):  # not JSON, an integer of thousands of digits, thousands of levels
        return []
    return list(_trouble(value, ()))


def _trouble(value: Any, path: tuple[Any, ...]) -> Iterator[Fault]:
    match value:
        case _NotANumber():
            yield Fault(pointer(path), "not_a_number", "NaN and infinity are not numbers that can be measured")
        case str():
            if not _encodable(value):
                yield Fault(pointer(path), "lone_surrogate", "half a surrogate pair is not text")
        case _Twice():
            if value.key:
                yield Fault(pointer((*path, value.key)), "duplicate_key", "this member stands twice")
            for name, member in value.items():
                if _encodable(name):
                    yield from _trouble(member, (*path, name))
                else:
                    yield Fault(pointer(path), "lone_surrogate", "half a surrogate pair is not text")
        case list():
            for index, member in enumerate(value):
                yield from _trouble(member, (*path, index))


def _encodable(text: str) -> bool:
    return not any("\ud800" <= character <= "\udfff" for character in text)
