"""RFC 9457 problem details: the only place that knows which refusal is which status."""

from __future__ import annotations

from collections.abc import Iterable
from http import HTTPStatus
from typing import Any, Final

import orjson
import structlog
from fastapi import FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect
from starlette.routing import compile_path

from service.entries import refusals
from service.entries.plain_words import code_and_words
from service.entries.refusals import Fault, Refusal, pointer

MEDIA_TYPE: Final = "application/problem+json"
_STATUS: Final[dict[type[Refusal], HTTPStatus]] = {
    refusals.Unreadable: HTTPStatus.BAD_REQUEST,
    refusals.WrongMedia: HTTPStatus.UNSUPPORTED_MEDIA_TYPE,
    refusals.Unfinished: HTTPStatus.REQUEST_TIMEOUT,
    refusals.NotAFact: HTTPStatus.UNPROCESSABLE_ENTITY,
    refusals.TooLarge: HTTPStatus.REQUEST_ENTITY_TOO_LARGE,
    refusals.Contradiction: HTTPStatus.CONFLICT,
    refusals.Unknown: HTTPStatus.NOT_FOUND,
    refusals.Unproven: HTTPStatus.UNAUTHORIZED,
    refusals.NotAllowed: HTTPStatus.FORBIDDEN,
    refusals.Stale: HTTPStatus.PRECONDITION_FAILED,
    refusals.Unconditional: HTTPStatus.PRECONDITION_REQUIRED,
    refusals.Busy: HTTPStatus.SERVICE_UNAVAILABLE,
}
_log = structlog.get_logger()


def problem(
    status: int,
    code: str,
    title: str,
    detail: str,
    faults: Iterable[Fault] = (),
    headers: dict[str, str] | None = None,
) -> Response:
    """A problem document."""
    document: dict[str, Any] = {
        "type": f"tag:witnessmark.example,2026:problem/{code}",
        "title": title,
        "status": status,
        "detail": detail,
        "code": code,
        "errors": [fault.shown() for fault in faults],
    }
    return Response(orjson.dumps(document), status, headers, MEDIA_TYPE)


def status_of(refusal: Refusal) -> int:
    """The HTTP status of a refusal, for a whole answer or for one line of it."""
    return int(next(_STATUS[kind] for kind in type(refusal).__mro__ if kind in _STATUS))


def refused(refusal: Refusal) -> Response:
    """The problem document of a refusal."""
    status = status_of(refusal)
    headers = {}
    if isinstance(refusal, refusals.Unproven):
        why = ', error="invalid_token"' if refusal.code == "invalid_token" else ""
        headers["WWW-Authenticate"] = f'Bearer realm="witnessmark"{why}'
    if isinstance(refusal, refusals.NotAllowed):
        headers["WWW-Authenticate"] = f'Bearer error="insufficient_scope", scope="{refusal.scope}"'
    if isinstance(refusal, refusals.Unfinished):
        headers["Connection"] = "close"  # RFC 9110 section 15.5.9: what may still come is no new request
    if isinstance(refusal, refusals.Busy):
        headers["Retry-After"] = str(refusal.retry_after)
    return problem(status, refusal.code, refusal.title, refusal.detail, refusal.faults, headers)


def told(request: Request, error: Exception) -> Response:
    """The problem document of whatever went wrong."""
    match error:
        case Refusal():
            return refused(error)
        case RequestValidationError():
            faults = [
                Fault(pointer(wrong["loc"]), "wrong_parameter", code_and_words(wrong)[1]) for wrong in error.errors()
            ]
            return problem(422, "wrong_parameter", "A parameter cannot be used", faults[0].detail, faults)
        case HTTPException():
            return _http(request, error)
        case ClientDisconnect():  # nobody hears this, and it is no fault to put into the log
            return problem(400, "cut_off", "The body broke off", "The line was cut before all of the body came.")
    _log.error("a request failed", method=request.method, path=request.url.path, exc_info=error)
    return problem(500, "our_fault", "Internal Server Error", "The service failed; its log says why.")


def install(app: FastAPI) -> None:
    """Answer everything that goes wrong with a problem document."""

    async def answer(request: Request, error: Exception) -> Response:
        return told(request, error)

    for kind in (Refusal, RequestValidationError, HTTPException, ClientDisconnect, Exception):
        app.add_exception_handler(kind, answer)


def _http(request: Request, error: HTTPException) -> Response:
    title = HTTPStatus(error.status_code).phrase
    code = title.lower().replace(" ", "_")
    headers = dict(error.headers or {})
    if error.status_code == HTTPStatus.METHOD_NOT_ALLOWED and (allowed := _allowed(request)):
        headers["Allow"] = allowed
    return problem(error.status_code, code, title, str(error.detail), headers=headers)


def _allowed(request: Request) -> str:
    """Every method the contract has for this path; the router names those of one route only."""
    paths: dict[str, dict[str, Any]] = request.app.openapi()["paths"]
    here = [known for path, known in paths.items() if compile_path(path)[0].match(request.scope["path"])]
    return ", ".join(sorted({method.upper() for known in here for method in known}))


def documented(*statuses: int) -> dict[int | str, dict[str, Any]]:
    """``responses=`` of a route: the problems it may answer with."""
    content = {MEDIA_TYPE: {"schema": {"$ref": "#/components/schemas/Problem"}}}
    return {status: {"description": _MEANING[status], "content": content} for status in statuses}


_MEANING: Final = {
    400: "The body is not JSON that can be kept: syntax, duplicate keys, NaN, not UTF-8.",
    401: "No bearer token, or one that is not valid.",
    403: "The token lacks the scope.",
    404: "No such thing in this facility, or the facility is not open to this token.",
    409: "It contradicts what is recorded: a used id, a second opening, an entry after closing.",
    408: "The body stopped coming before its end.",
    412: "It has changed since it was read (If-Match).",
    413: "The body, a list or an entry is too large.",
    415: "The body is not sent as a media type that is taken here, or it is encoded.",
    422: "It cannot be a fact, or a parameter cannot be used; errors[] point at each field.",
    428: "If-Match is wanted.",
    503: "Not now, or the database does not answer: try again after Retry-After seconds.",
}
