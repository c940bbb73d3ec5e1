"""What a model found wrong, in the words of whoever fills in the record: no types, no patterns, no library's terms."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

_WORDS = {
    "extra_forbidden": ("unknown_member", "this member is not known here"),
    "missing": ("missing", "this member is wanted"),
    "literal_error": ("not_one_of", "one of these is wanted: {expected}"),
    "union_tag_invalid": ("not_one_of", "one of these is wanted: {expected_tags}"),
    "union_tag_not_found": ("missing", "this member is wanted: it tells which kind it is"),
    "string_unicode": ("lone_surrogate", "half a surrogate pair is not text"),
    "string_too_short": ("too_short", "too short: {min_length} or more characters are wanted"),
    "string_too_long": ("too_long", "too long: {max_length} characters or fewer are wanted"),
    "greater_than_equal": ("too_small", "{ge} at least"),
    "less_than_equal": ("too_great", "{le} at most"),
    "too_short": ("too_few", "{min_length} at least are wanted, not {actual_length}"),
    "too_long": ("too_many", "{max_length} at most are taken"),
    "string_pattern_mismatch": ("wrong_form", "not of the form that is wanted here"),
}
_TYPES = {
    "model": "an object is wanted, with its members between braces",
    "dict": "an object is wanted, with its members between braces",
    "tuple": "a list is wanted",
    "list": "a list is wanted",
    "string": "text is wanted",
    "bool": "true or false is wanted",
    "int": "a whole number is wanted",
}
"""By the first word of what pydantic calls it: ``string_type``, ``int_parsing``, ``int_from_float``."""
_FORMS = {
    r"^[0-9a-fA-F]{8}(-[0-9a-fA-F]{4}){3}-[0-9a-fA-F]{12}$": (
        "a UUID is wanted, such as 01997c2a-0000-7000-8000-000000000001"
    ),
    r"^[0-9a-f]{64}$": "a SHA-256 is wanted: 64 digits and letters a to f",
    r"^[a-z0-9!#$&^_.+-]+/[a-z0-9!#$&^_.+-]+$": "a media type is wanted, such as image/jpeg",
    r"^[a-z][a-z0-9_]{0,63}$": "small letters, digits and _ are wanted, a letter first, such as bank_regulator",
    r"^[a-z0-9][a-z0-9-]{0,62}$": "small letters, digits and hyphens are wanted, such as orrin-bay",
    r"^[a-z]+\.[a-z]+$": "an entry type is wanted, such as torque.applied",
    r"^[a-z0-9.-]+\.[a-z0-9-]+(/[A-Za-z0-9._~-]+)*$": (
        "an address without https:// is wanted, such as orrin-bay.example/gas-regulators"
    ),
}
"""What each form is for, by its pattern; a test holds that none is missing."""


def code_and_words(wrong: Mapping[str, Any]) -> tuple[str, str]:
    """A stable code, and what to tell, from one of the errors of a model (its ``type``, ``ctx`` and ``msg``)."""
    kind, context = wrong["type"], wrong.get("ctx", {})
    if form := _FORMS.get(context.get("pattern", "")):
        return "wrong_form", form
    if kind in _WORDS:
        code, words = _WORDS[kind]
        return code, words.format(**context)
    first, _, rest = kind.partition("_")
    if first in _TYPES and rest:
        return "wrong_type", _TYPES[first]
    return kind, wrong["msg"]
