"""A property worked out once."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Generic, TypeVar

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
