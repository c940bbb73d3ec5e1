"""Who is asking, for every route below a facility."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import cache
from inspect import signature
from typing import Annotated, Any, TypeVar

from fastapi import Depends, Header, Path, Request, Security
from fastapi.exceptions import RequestValidationError
from fastapi.security import HTTPBearer
from pydantic import BaseModel, TypeAdapter, ValidationError

from service.access.tokens import Caller, caller
from service.entries.catalogue import Scope
from service.entries.refusals import Fault, NotAFact, Unknown, pointer
from service.ledger.ledger import Ledger

_OURS = {"request", "ledger", "who"}
"""Arguments of a call that are no parameters of the request."""
T = TypeVar("T")
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


Q = TypeVar("Q", bound=BaseModel)


def read_query(request: Request, asked: type[Q]) -> Q:
    """The parameters of a call that resolves none itself. Raises RequestValidationError, as the framework does."""
    if not request.scope["query_string"]:
        nothing: Q = _nothing(asked)
        return nothing
    try:
        return asked.model_validate(request.query_params)
    except ValidationError as error:
        raise RequestValidationError([{**wrong, "loc": ("query", *wrong["loc"])} for wrong in error.errors()]) from None


@cache
def _nothing(asked: type[BaseModel]) -> Any:
    return asked()


async def let_in(request: Request, facility: str, asked: type[BaseModel] | None = None) -> Caller:
    """The caller behind the request's token; ``asked`` has the parameters of a call that resolves none itself.

    Raises:
        Unproven: no token, or none that is valid.
        Unknown: the token is of another facility.
        NotAFact: a parameter cannot be used.
    """
    if any("\0" in str(value) for value in request.path_params.values()):
        raise Unknown("no such thing here")
    if request.scope["query_string"] and (faults := list(_unusable(request, asked))):
        raise NotAFact(faults[0].detail, faults, code=faults[0].code)
    ledger, doorkeeper = ledger_of(request), request.app.state.doorkeeper
    authorization, now = request.headers.get("authorization"), ledger.clock()
    known: Caller | None = doorkeeper.knows(facility, authorization, now)
    if known is not None:
        return known
    found = await ledger.read(lambda tx: caller(tx, facility, authorization, now))
    doorkeeper.lets_in(found, authorization, now)
    return found


def _unusable(request: Request, asked: type[BaseModel] | None) -> Iterator[Fault]:
    """A name that the call does not know, two values for one, text with NUL: nothing is passed over in silence.

    A dashboard that asks for ``stat=overdue`` must not be shown everything.
    """
    given, known = request.query_params, asked.model_fields if asked else _parameters(request.scope["endpoint"])
    for name in given:
        values = given.getlist(name)
        if name not in known:
            yield Fault(pointer(("query", name)), "unknown_parameter", "this parameter is not known here")
        if len(values) > 1:
            yield Fault(pointer(("query", name)), "given_twice", "this parameter is given more than once")
        if any("\0" in value for value in values):
            yield Fault(pointer(("query", name)), "nul", "the NUL character stands in no text here")


Seen = Annotated[
    int | None,
    Header(
        alias="Ledger-Size",
        ge=0,
        le=2**53,
        description="How many entries you know of, from a receipt: the answer knows of as many. It only matters where "
        "questions are answered by a replica, which may be a moment behind; answers then carry the same header.",
    ),
]


@cache
def _size() -> TypeAdapter[int | None]:
    return TypeAdapter(Seen)


def seen_by(request: Request) -> int:
    """The same for a call that resolves no parameters. Raises RequestValidationError, as the framework does."""
    sent = request.headers.get("ledger-size")
    try:
        return _size().validate_python(sent) or 0
    except ValidationError as error:
        wrong = [{**one, "loc": ("header", "Ledger-Size", *one["loc"])} for one in error.errors()]
        raise RequestValidationError(wrong) from None


async def look(request: Request, who: Caller, question: Callable[[Any], T]) -> T:
    """Answer a question of a reader's; the response says how many entries the answer knows of."""
    answer, size = await ledger_of(request).look(who.facility, request.state.seen, question)
    request.state.ledger_size = size
    return answer


@cache
def _parameters(endpoint: Callable[..., object]) -> frozenset[str]:
    return frozenset(name.rstrip("_") for name in signature(endpoint).parameters) - _OURS  # from_ is ?from=


def _with(scope: Scope) -> object:
    async def allowed(request: Request, who: Annotated[Caller, Depends(known_caller)], seen: Seen = None) -> Caller:
        who.needs(scope)
        request.state.seen = seen or 0
        return who

    return allowed


async def _ledger(request: Request) -> Ledger:
    return ledger_of(request)  # not a plain function: each would take a turn in the thread pool


ALedger = Annotated[Ledger, Depends(_ledger)]
AnyCaller = Annotated[Caller, Depends(known_caller)]
Reader = Annotated[Caller, Depends(_with("read"))]
Recorder = Annotated[Caller, Depends(_with("record"))]
