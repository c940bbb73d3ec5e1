"""Quantities in a query: ``345 kPa``, ``-0.25turn``: a decimal number and a unit of the closed list."""

from __future__ import annotations

import re
from typing import TypeVar

from pydantic import ValidationError

from service.entries.quantity import Quantity
from service.entries.refusals import Fault, NotAFact

Q = TypeVar("Q", bound=Quantity)
_WRITTEN = re.compile(r"\s*([-+]?[0-9.]{1,40})\s*([^\s0-9.+-].{0,40}?)\s*", re.ASCII | re.DOTALL)


def asked_for(kind: type[Q], name: str, text: str | None) -> Q | None:
    """The quantity that a query parameter names; None where it is not given.

    Raises:
        NotAFact: it is no number with a unit of that dimension.
    """
    if text is None:
        return None
    match = _WRITTEN.fullmatch(text)
    if match is None:
        raise _refused(name, "not_a_quantity", f"a number and a unit of {kind.dimension} are wanted")
    number, unit = match.groups()
    try:
        return kind(value=number.removeprefix("+"), unit=unit)
    except ValidationError as fault:
        told = fault.errors(include_url=False)[0]
        raise _refused(name, told["type"], told["msg"]) from None


def _refused(name: str, code: str, detail: str) -> NotAFact:
    return NotAFact(detail, [Fault(f"/query/{name}", code, detail)], code=code)
