"""Rebuilds as they stand."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Path, Query, Request, Response

from service.api import shapes
from service.api.answer import Cursor, Limit, page, read_cursor, tagged, write_cursor
from service.api.callers import Reader, look
from service.api.problems import documented
from service.entries.judgement import State
from service.entries.judgement import Verdict as AnyVerdict
from service.ledger import answers

router = APIRouter(tags=["rebuilds"])
Rebuild = Annotated[
    str, Path(description="The rebuild's id, a UUID.", examples=["0198e2b4-7a10-7c3e-9d55-3f1f6a2b7c01"])
]
_READ = documented(401, 403, 404, 422, 503)


@router.get(
    "/rebuilds",
    summary="List rebuilds",
    responses={200: {"model": shapes.RebuildPage}, **_READ},
    response_class=Response,
)
async def get_rebuilds(  # noqa: PLR0913, PLR0917 - one parameter for each way to narrow the list
    request: Request,
    who: Reader,
    limit: Limit = 50,
    after: Cursor = None,
    asset: Annotated[str | None, Query(description="Of one asset, by its tag.")] = None,
    procedure: Annotated[str | None, Query(description="By one procedure, by its code.")] = None,
    state: Annotated[State | None, Query(description="In one state only.")] = None,
    verdict: Annotated[AnyVerdict | None, Query(description="With one verdict only.")] = None,
) -> Response:
    """Rebuilds in the order in which the ledger first heard of them."""
    (seq,) = read_cursor(after, int) or [0]
    wanted = {"asset": asset, "procedure": procedure, "state": state, "verdict": verdict}
    items, following = await look(request, who, lambda tx: answers.rebuilds(tx, who.facility, seq, limit, wanted))
    return page(request, items, write_cursor(following) if following is not None else None)


@router.get(
    "/rebuilds/{rebuild}",
    summary="Read a rebuild",
    responses={200: {"model": shapes.RebuildShape}, 304: {"description": "Not modified."}, **_READ},
    response_class=Response,
)
async def get_rebuild(request: Request, who: Reader, rebuild: Rebuild) -> Response:
    """State, verdict, each finding with its arithmetic, the facts, the corrections, and what was judged when."""
    content = await look(request, who, lambda tx: answers.one_rebuild(tx, who.facility, rebuild.lower()))
    return tagged(request, content, answers.digest(content))
