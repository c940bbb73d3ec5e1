"""Properties and functions of frozen values, worked out once for each value."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import Any, Generic, TypeVar

H = TypeVar("H")
V = TypeVar("V")


class once(Generic[V]):  # noqa: N801 - used as a decorator, like property
    """A property worked out on first use: ``functools.cached_property`` without the lock that 3.11 takes in it."""

    def __init__(self, work_out: Callable[[Any], V]) -> None:
        self._work_out = work_out
        self.__doc__ = work_out.__doc__

    def __set_name__(self, _: type, name: str) -> None:
        self._name = name

    def __get__(self, holder: Any, _: type | None = None) -> V:
        value = self._work_out(holder)
        holder.__dict__[self._name] = value  # found there from now on, before this descriptor
        return value


def once_for_each(work_out: Callable[[H], V]) -> Callable[[H], V]:
    """A function of one frozen value, worked out on first use; the answer stays with the value as long as it lives."""
    name = f"{work_out.__module__}.{work_out.__qualname__}"

    @wraps(work_out)
    def remembered(holder: H) -> V:
        kept: dict[str, V] = holder.__dict__
        if name not in kept:
            kept[name] = work_out(holder)
        return kept[name]

    return remembered
