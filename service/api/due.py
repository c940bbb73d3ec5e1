"""What is due."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Request, Response
from pydantic import BaseModel, Field

from service.access.tokens import Caller
from service.api import shapes
from service.api.answer import MOST_OF_A_PAGE, MOST_OF_CURSOR, page, read_cursor, write_cursor
from service.api.callers import ALedger, Reader, ledger_of, let_in, look, read_query, seen_by
from service.api.problems import documented
from service.entries.refusals import Fault, NotAFact
from service.entries.words import Date, Kind
from service.ledger.due import DueState
from service.ledger.due_answers import Asked

router = APIRouter(tags=["due"])
_MOST_DAYS = 36_600


class DueAsked(BaseModel):
    """What a dashboard may ask of the due list."""

    as_of: Date | None = Field(None, description="The day in question; today in the facility's time zone.")
    state: DueState | None = Field(None, description="One state only.")
    within: int | None = Field(None, ge=0, le=_MOST_DAYS, description="Due at most so many days later.")
    gas: Kind | None = Field(None, description="One gas only.")
    limit: int = Field(50, ge=1, le=MOST_OF_A_PAGE, description="Items a page.")
    after: str | None = Field(
        None, max_length=MOST_OF_CURSOR, description="Where the page before ended (its ``next``)."
    )


@router.get(
    "/due",
    summary="What is due",
    responses={200: {"model": shapes.DuePage}, **documented(401, 403, 404, 422, 503)},
    response_class=Response,
)
async def get_due(request: Request, _: ALedger, who: Reader, asked: Annotated[DueAsked, Query()]) -> Response:
    """Every service of every asset, soonest first: overdue, due, not due, and those without a baseline last."""
    return await _due(request, who, asked)


async def get_due_at_once(request: Request) -> Response:
    """The same, past the resolving of parameters, which costs more than the page."""
    who = await let_in(request, request.path_params["facility"], DueAsked)
    who.needs("read")
    request.state.seen = seen_by(request)
    return await _due(request, who, read_query(request, DueAsked))


async def _due(request: Request, who: Caller, asked: DueAsked) -> Response:
    if asked.as_of is not None and asked.as_of.date.year > 2999:
        raise NotAFact("a day to 2999 is wanted", [Fault("/query/as_of", "not_a_day", "a day to 2999 is wanted")])
    ledger, key = ledger_of(request), read_cursor(asked.after, str, str, str)
    question = Asked(
        who.facility,
        ledger.clock(),
        asked.as_of.date if asked.as_of is not None else None,
        asked.state,
        asked.within,
        asked.gas,
        (key[0], key[1], key[2]) if key else None,
        asked.limit,
    )
    day, items, following = await look(request, who, question.answer)
    return page(request, items, write_cursor(*following) if following else None, as_of=day.isoformat())
