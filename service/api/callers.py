"""Who is asking, for every route below a facility."""

from __future__ import annotations

from typing import Annotated

from fastapi import Depends, Path, Request, Security
from fastapi.security import HTTPBearer

from service.access.tokens import Caller, caller
from service.entries.catalogue import Scope
from service.entries.refusals import Fault, NotAFact, Unknown, pointer
from service.ledger.ledger import Ledger

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
    """The caller; text that no column can hold is refused before it is looked for."""
    if any("\0" in str(value) for value in request.path_params.values()):
        raise Unknown("no such thing here")
    faults = [
        Fault(pointer(("query", name)), "nul", "the NUL character stands in no text here")
        for name, value in request.query_params.multi_items()
        if "\0" in value
    ]
    if faults:
        raise NotAFact(faults[0].detail, faults, code=faults[0].code)
    ledger = ledger_of(request)
    authorization = request.headers.get("authorization")
    return await ledger.read(lambda tx: caller(tx, facility, authorization, ledger.clock()))


def _with(scope: Scope) -> object:
    async def allowed(who: Annotated[Caller, Depends(known_caller)]) -> Caller:
        who.needs(scope)
        return who

    return allowed


ALedger = Annotated[Ledger, Depends(ledger_of)]
AnyCaller = Annotated[Caller, Depends(known_caller)]
Reader = Annotated[Caller, Depends(_with("read"))]
