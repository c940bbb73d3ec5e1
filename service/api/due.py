"""What is due."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Request, Response

from service.api import shapes
from service.api.answer import Cursor, Limit, page, read_cursor, write_cursor
from service.api.callers import ALedger, Reader, look
from service.api.problems import documented
from service.entries.refusals import Fault, NotAFact
from service.entries.words import Date, Kind
from service.ledger.due import DueState
from service.ledger.due_answers import Wanted, due_page

router = APIRouter(tags=["due"])
_MOST_DAYS = 36_600


@router.get(
    "/due",
    summary="What is due",
    responses={200: {"model": shapes.DuePage}, **documented(401, 403, 404, 422, 503)},
    response_class=Response,
)
async def get_due(  # noqa: PLR0913, PLR0917 - one parameter for each thing a dashboard asks
    request: Request,
    ledger: ALedger,
    who: Reader,
    as_of: Annotated[Date | None, Query(description="The day in question; today in the facility's time zone.")] = None,
    state: Annotated[DueState | None, Query(description="One state only.")] = None,
    within: Annotated[int | None, Query(ge=0, le=_MOST_DAYS, description="Due at most so many days later.")] = None,
    gas: Annotated[Kind | None, Query(description="One gas only.")] = None,
    limit: Limit = 50,
    after: Cursor = None,
) -> Response:
    """Every service of every asset, soonest first: overdue, due, not due, and those without a baseline last."""
    facility = await ledger.facility(who.facility)
    today = facility.day(ledger.clock())
    day = as_of.date if as_of else today
    if day.year > 2999:
        raise NotAFact("a day to 2999 is wanted", [Fault("/query/as_of", "not_a_day", "a day to 2999 is wanted")])
    key = read_cursor(after, str, str, str)
    wanted = Wanted(day, day >= today, state, within, gas, (key[0], key[1], key[2]) if key else None, limit)
    items, following = await look(request, who, lambda tx: due_page(tx, who.facility, wanted))
    return page(request, items, write_cursor(*following) if following else None, as_of=day.isoformat())
