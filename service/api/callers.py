"""Who is asking, for every route below a facility."""

from __future__ import annotations

from collections.abc import Iterator
from inspect import signature
from typing import Annotated

from fastapi import Depends, Path, Request, Security
from fastapi.security import HTTPBearer

from service.access.tokens import Caller, caller
from service.entries.catalogue import Scope
from service.entries.refusals import Fault, NotAFact, Unknown, pointer
from service.ledger.ledger import Ledger

_OURS = {"request", "ledger", "who"}
"""Arguments of a call that are no parameters of the request."""
_bearer = HTTPBearer(auto_error=False, description="A token made with ``witnessmark token new``.")


def ledger_of(request: Request) -> Ledger:
    """The ledger this app was made with."""
    ledger: Ledger = request.app.state.ledger
    return ledger


async def known_caller(
    request: Request,
    facility: Annotated[str, Path(description="The facility's code.", examples=["skerrow"])],
    _: Annotated[object, Security(_bearer)],
) -> Caller:
    """The caller; what no column can hold, and what could be read in two ways, is refused before it is looked for."""
    if any("\0" in str(value) for value in request.path_params.values()):
        raise Unknown("no such thing here")
    if faults := list(_unusable(request)):
        raise NotAFact(faults[0].detail, faults, code=faults[0].code)
    ledger = ledger_of(request)
    authorization = request.headers.get("authorization")
    return await ledger.read(lambda tx: caller(tx, facility, authorization, ledger.clock()))


def _unusable(request: Request) -> Iterator[Fault]:
    """A name that the call does not know, two values for one, text with NUL: nothing is passed over in silence.

    A dashboard that asks for ``stat=overdue`` must not be shown everything.
    """
    asked = request.query_params
    for name in asked:
        values = asked.getlist(name)
        if name not in signature(request.scope["endpoint"]).parameters or name in _OURS:
            yield Fault(pointer(("query", name)), "unknown_parameter", "this parameter is not known here")
        if len(values) > 1:
            yield Fault(pointer(("query", name)), "given_twice", "this parameter is given more than once")
        if any("\0" in value for value in values):
            yield Fault(pointer(("query", name)), "nul", "the NUL character stands in no text here")


def _with(scope: Scope) -> object:
    async def allowed(who: Annotated[Caller, Depends(known_caller)]) -> Caller:
        who.needs(scope)
        return who

    return allowed


ALedger = Annotated[Ledger, Depends(ledger_of)]
AnyCaller = Annotated[Caller, Depends(known_caller)]
Reader = Annotated[Caller, Depends(_with("read"))]
