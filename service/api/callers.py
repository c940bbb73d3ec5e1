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
    return await let_in(request, facility)


async def let_in(request: Request, facility: str) -> Caller:
    """The caller behind the request's token.

    Raises:
        Unproven: no token, or none that is valid.
        Unknown: the token is of another facility.
        NotAFact: a parameter cannot be used.
    """
    if any("\0" in str(value) for value in request.path_params.values()):
        raise Unknown("no such thing here")
    if faults := list(_unusable(request)):
        raise NotAFact(faults[0].detail, faults, code=faults[0].code)
    ledger, doorkeeper = ledger_of(request), request.app.state.doorkeeper
    authorization, now = request.headers.get("authorization"), ledger.clock()
    known: Caller | None = doorkeeper.knows(facility, authorization, now)
    if known is not None:
        return known
    found = await ledger.read(lambda tx: caller(tx, facility, authorization, now))
    doorkeeper.lets_in(found, authorization, now)
    return found


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


async def _ledger(request: Request) -> Ledger:
    return ledger_of(request)  # not a plain function: each would take a turn in the thread pool


ALedger = Annotated[Ledger, Depends(_ledger)]
AnyCaller = Annotated[Caller, Depends(known_caller)]
Reader = Annotated[Caller, Depends(_with("read"))]
Recorder = Annotated[Caller, Depends(_with("record"))]
