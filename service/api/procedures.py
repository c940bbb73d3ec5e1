"""Procedures: published revision by revision, never changed."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Path, Request, Response

from service.api import register_shapes as shapes
from service.api.answer import Cursor, Limit, answer, page, read_cursor, tagged, write_cursor
from service.api.callers import ALedger, AnyCaller, Reader, look
from service.api.document import PROCEDURE_BODY
from service.api.intake import read_body
from service.api.sugar import READ, TAKEN, an_object, created, record
from service.ledger import answers

router = APIRouter(tags=["procedures"])
Procedure = Annotated[str, Path(description="The procedure's code.", examples=["BR-12"])]
Revision = Annotated[int, Path(ge=1, le=100_000, description="The revision's number.")]


@router.post(
    "/procedures",
    summary="Publish a procedure revision",
    status_code=201,
    responses={201: {"model": shapes.ProcedureShape, "description": "Published."}, **TAKEN},
    openapi_extra={"requestBody": PROCEDURE_BODY},
    response_class=Response,
)
async def post_procedure(request: Request, ledger: ALedger, who: AnyCaller) -> Response:
    """The next revision of a procedure; it never changes afterwards."""
    body = an_object(await read_body(request))
    await record(ledger, who, "procedure.published", body)
    code, revision = body["code"], body["revision"]
    content = await ledger.read(lambda tx: answers.one_procedure(tx, who.facility, code, revision))
    return created(request, content, code, "revisions", str(revision))


@router.get(
    "/procedures",
    summary="List procedures",
    responses={200: {"model": shapes.ProcedurePage}, **READ},
    response_class=Response,
)
async def get_procedures(request: Request, who: Reader, limit: Limit = 50, after: Cursor = None) -> Response:
    """Procedure codes, each with its newest revision."""
    (code,) = read_cursor(after, str) or [""]
    items = await look(request, who, lambda tx: answers.procedures(tx, who.facility, code, limit))
    return page(request, items[:limit], write_cursor(items[limit - 1]["code"]) if len(items) > limit else None)


@router.get(
    "/procedures/{code}",
    summary="Read the newest revision",
    responses={200: {"model": shapes.ProcedureShape}, **READ},
    response_class=Response,
)
async def get_procedure(request: Request, who: Reader, code: Procedure) -> Response:
    """The newest revision. For each tool with an across-flats size: which sockets fit, and which must not be used."""
    return answer(await look(request, who, lambda tx: answers.one_procedure(tx, who.facility, code, None)))


@router.get(
    "/procedures/{code}/revisions/{revision}",
    summary="Read a revision",
    responses={200: {"model": shapes.ProcedureShape}, 304: {"description": "Not modified."}, **READ},
    response_class=Response,
)
async def get_revision(request: Request, who: Reader, code: Procedure, revision: Revision) -> Response:
    """One revision; it never changes."""
    content = await look(request, who, lambda tx: answers.one_procedure(tx, who.facility, code, revision))
    return tagged(request, content, f"{revision}-{len(content['revisions'])}")
