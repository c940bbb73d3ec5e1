"""Two JSON values held against each other. Pure."""

from __future__ import annotations

from typing import Any

import orjson


def first_difference(one: Any, other: Any, place: str = "") -> tuple[str, Any, Any] | None:
    """The pointer of the first member in which two JSON values differ, and both values; MISSING where there is none."""
    if isinstance(one, dict) and isinstance(other, dict):
        for name in [*one, *(name for name in other if name not in one)]:
            step = f"{place}/{name.replace('~', '~0').replace('/', '~1')}"
            if (found := first_difference(one.get(name, MISSING), other.get(name, MISSING), step)) is not None:
                return found
        return None
    if isinstance(one, list) and isinstance(other, list):
        longest = max(len(one), len(other))
        for index in range(longest):
            mine, theirs = (some[index] if index < len(some) else MISSING for some in (one, other))
            if (found := first_difference(mine, theirs, f"{place}/{index}")) is not None:
                return found
        return None
    return None if type(one) is type(other) and one == other else (place, one, other)


class _Missing:
    """Stands for a member that is not there."""


MISSING = _Missing()


def said(value: Any) -> str:
    """A value in words about a difference."""
    if value is MISSING:
        return "nothing"
    text = orjson.dumps(value).decode()
    return text if len(text) <= 200 else f"{text[:200]}…"
