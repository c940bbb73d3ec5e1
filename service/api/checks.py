"""The catalogue of checks."""

from __future__ import annotations

from fastapi import APIRouter, Response

from service.api import shapes
from service.api.answer import answer
from service.api.callers import Reader
from service.api.problems import documented
from service.ledger import answers

router = APIRouter(tags=["checks"])


@router.get(
    "/checks",
    summary="The catalogue of checks",
    responses={200: {"model": shapes.CheckList}, **documented(401, 403, 404, 422, 503)},
    response_class=Response,
)
async def get_checks(who: Reader) -> Response:  # noqa: ARG001 - reading wants a token
    """What each check decides, its formula and its source."""
    return answer(answers.checks())
