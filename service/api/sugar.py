"""Calls that are sugar over one entry: the entry behind the call, and faults told about the caller's own body."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Final

from fastapi import Request, Response

from service.access.tokens import Caller
from service.api.answer import address, answer
from service.api.entries import submission
from service.api.problems import documented
from service.entries.envelope import Draft, read_envelope
from service.entries.refusals import Fault, NotAFact, Refusal
from service.ledger.entry import rfc3339
from service.ledger.ledger import Ledger

TAKEN: Final = documented(400, 401, 403, 404, 409, 413, 415, 422, 503)
READ: Final = documented(401, 403, 404, 422, 503)
Places = Mapping[str, str]
"""Pointer into the entry → pointer into what the caller has sent; the first that fits is taken."""
ITS_DATA: Final[Places] = {"/data": "", "/type": ""}


async def record(
    ledger: Ledger,
    who: Caller,
    type_: str,
    data: Any,
    asset: str | None = None,
    unless_changed: tuple[str, int] | None = None,
    places: Places = ITS_DATA,
) -> None:
    """Record the entry behind a call.

    Raises:
        Refusal: its faults point into the caller's own body.
    """
    try:
        drafts = _entry(type_, data, asset, ledger)
        await ledger.submit(who.facility, submission(drafts, who, unless_changed))
    except Refusal as refusal:
        refusal.faults = tuple(_seen_from(places, fault) for fault in refusal.faults)
        raise


def _entry(type_: str, data: Any, asset: str | None, ledger: Ledger) -> list[Draft]:
    envelope = {"type": type_, "occurred_at": rfc3339(ledger.clock()), "data": data}
    draft = read_envelope(envelope | ({"asset": asset} if asset is not None else {}))
    if isinstance(draft, Draft):
        return [draft]
    raise NotAFact(draft[0].detail, draft, code=draft[0].code if len(draft) == 1 else None)


def _seen_from(places: Places, fault: Fault) -> Fault:
    for inside, outside in places.items():
        if fault.pointer == inside or fault.pointer.startswith(inside + "/"):
            return replace(fault, pointer=outside + fault.pointer.removeprefix(inside))
    return fault


def an_object(body: Any) -> dict[str, Any]:
    """The body, which has to be a JSON object."""
    if not isinstance(body, dict):
        raise NotAFact("a JSON object is wanted", [Fault("", "wrong_type", "a JSON object is wanted")])
    return body


def created(request: Request, content: Any, *below: str, headers: Mapping[str, str] | None = None) -> Response:
    """201 with the address of what was made, so many steps below the call's own."""
    return answer(content, 201, {"Location": address(request, *below), **(headers or {})})
