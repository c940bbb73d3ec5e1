"""Is the service alive, can it answer?"""

from __future__ import annotations

from fastapi import APIRouter, Response

from service.api import shapes
from service.api.answer import answer
from service.api.callers import ALedger
from service.api.problems import documented

router = APIRouter(tags=["service"])


@router.get("/livez", summary="Alive", responses={200: {"model": shapes.Health}}, response_class=Response)
async def livez() -> Response:
    """The process runs."""
    return answer({"status": "ok"})


@router.get(
    "/readyz",
    summary="Ready",
    responses={200: {"model": shapes.Health}, **documented(503)},
    response_class=Response,
)
async def readyz(ledger: ALedger) -> Response:
    """The database answers and is up to date."""
    await ledger.ready()
    return answer({"status": "ok"})
