"""The one spelling of an entry that is hashed: RFC 8785 (JSON Canonicalization Scheme).

Only what a ledger entry may hold has a spelling here: null, true, false, whole numbers, text, lists and objects.
Measurements are decimal text in the ledger, so the hard part of RFC 8785, how to print a float, never arises and
a float is refused. What is left differs from sorted, compact JSON in UTF-8 in one point only, the order of keys,
see `_in_utf16_order`.
"""

import re
from typing import Final, TypeAlias

import orjson

JSON: TypeAlias = "bool | int | str | list[JSON] | dict[str, JSON] | None"

MAX_DEPTH: Final = 200
"""How many lists and objects may stand inside each other; an entry has about six. A value inside itself ends here."""

_PLAIN: Final = frozenset({bool, int, str, type(None)})

_BEYOND_BMP: Final = re.compile(rb"[\xf0-\xf4]")
"""The first byte, in UTF-8, of every character from U+10000 up, and of no other."""


def canonical(value: JSON) -> bytes:
    """The RFC 8785 bytes of a value.

    Args:
        value: None, bool, int, str, list or dict with str keys, nested at will. Exactly these types: a subclass
            (an enum, say) may print as something else than it equals, so it is refused.

    Returns:
        UTF-8 without white space, keys sorted by their UTF-16 code units. Two values have the same bytes if and
        only if they are the same JSON value.

    Raises:
        TypeError: a float or anything else outside the types above, or a key that is not text.
        ValueError: a number beyond ±(2⁵³ - 1), a lone surrogate, or nesting deeper than `MAX_DEPTH`.

    Source: RFC 8785 section 3.2; number range from RFC 7493 section 2.2.
    """
    _refuse_foreign(value, MAX_DEPTH)
    spelled = _spell(value, orjson.OPT_SORT_KEYS | orjson.OPT_STRICT_INTEGER)
    if spelled.isascii() or not _BEYOND_BMP.search(spelled):
        return spelled
    return _spell(_in_utf16_order(value), orjson.OPT_STRICT_INTEGER)


def _spell(value: JSON, option: int) -> bytes:
    """JSON text in UTF-8; ValueError for what the types let pass and the standard does not.

    Precondition: `_refuse_foreign` has passed the value. The library calls every refusal a TypeError; with the types
    already right, all that is left to refuse is a value of the right type out of its range.
    """
    try:
        return orjson.dumps(value, option=option)
    except orjson.JSONEncodeError as refusal:
        raise ValueError(str(refusal)) from refusal


def _refuse_foreign(value: JSON, room: int) -> None:
    """Raise TypeError at the first thing that has no canonical form, ValueError at the `room`-th level of nesting.

    The library would write a float, turn NaN into null, and take tuples, enums, dates and UUIDs for text: each a second
    spelling of something. Most of an entry is text, which is therefore passed over first.
    """
    if type(value) in _PLAIN:
        return
    if type(value) is not dict and type(value) is not list:
        raise TypeError(f"no canonical form for {type(value).__name__}")
    if room == 0:
        raise ValueError(f"nested deeper than {MAX_DEPTH} levels")
    if type(value) is dict:
        for key, member in value.items():
            if type(key) is not str:
                raise TypeError(f"a key must be text, not {type(key).__name__}")
            if type(member) is not str:
                _refuse_foreign(member, room - 1)
    else:
        for item in value:
            if type(item) is not str:
                _refuse_foreign(item, room - 1)


def _in_utf16_order(value: JSON) -> JSON:
    """The same value with every object's members inserted in the order of RFC 8785 section 3.2.3.

    Sorting by UTF-8 bytes is sorting by code point. Sorting by UTF-16 code units differs from it only where a
    character beyond U+FFFF meets one in U+E000 to U+FFFF: the former is written with surrogates (D800 to DFFF) and so
    comes first. The ordinary path therefore asks for this only when a character beyond U+FFFF is present at all.

    Precondition: no lone surrogates, at most `MAX_DEPTH` levels.
    """
    if isinstance(value, dict):
        return {key: _in_utf16_order(value[key]) for key in sorted(value, key=_utf16)}
    if isinstance(value, list):
        return [_in_utf16_order(item) for item in value]
    return value


def _utf16(key: str) -> bytes:
    return key.encode("utf-16-be")
