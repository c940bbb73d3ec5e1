"""``/attachments``: the content of files that entries name by their SHA-256; what is read is served to be kept only."""

from __future__ import annotations

import hashlib
from collections.abc import AsyncIterator
from typing import Annotated, Any, Final

import structlog
from fastapi import APIRouter, Path, Request, Response
from fastapi.responses import StreamingResponse
from starlette.requests import ClientDisconnect

from service.api import attachment_shapes as shapes
from service.api.answer import answer, known_already, tag_header
from service.api.callers import ALedger, Reader, Recorder
from service.api.document import ATTACHMENT_BODY
from service.api.problems import documented
from service.entries.refusals import Unreadable, WrongMedia
from service.ledger import attachments
from service.ledger.attachments import ENDINGS, Arriving, Kept
from service.ledger.ledger import Ledger

router = APIRouter(tags=["attachments"])
_log = structlog.get_logger()
Sha256 = Annotated[
    str,
    Path(
        pattern=r"^[0-9a-f]{64}$",
        description="SHA-256 of the content, hex.",
        examples=["9c56cc51b374c3ba189210d5b6d4bf57790d351c96c47c02190ecf1e430635ab"],
    ),
]
_SAFELY: Final = {
    "X-Content-Type-Options": "nosniff",
    "Content-Security-Policy": "default-src 'none'; sandbox",
    "Cross-Origin-Resource-Policy": "same-origin",
}
"""Whatever somebody has stored here, a browser neither guesses at it nor runs it."""
_OCTETS: Final = {"application/octet-stream": {"schema": {"type": "string", "format": "binary"}}}
_READ: Final[dict[int | str, dict[str, Any]]] = {
    200: {"description": "The content, as the media type it was stored with.", "content": _OCTETS},
    304: {"description": "Not modified."},
    **documented(401, 403, 404, 422, 503),
}


@router.put(
    "/attachments/{sha256}",
    summary="Store an attachment",
    status_code=201,
    responses={
        201: {"model": shapes.StoredShape, "description": "Stored; durable before this answer."},
        200: {"model": shapes.StoredShape, "description": "It was stored before, and is as it was."},
        **documented(400, 401, 403, 404, 413, 415, 422, 503),
    },
    openapi_extra={"requestBody": ATTACHMENT_BODY},
    response_class=Response,
)
async def put_attachment(request: Request, ledger: ALedger, who: Recorder, sha256: Sha256) -> Response:
    """The bytes as they are. They are checked against the digest, and nothing is stored where they differ.

    An entry names the digest in its ``attachments``, so that the ledger's proof covers the file; either may come first.
    """
    media = _media(request)
    with Arriving(request.app.state.most_attachment_bytes) as content:
        await _take(request, content)
        content.settle(sha256)
        kept = Kept(sha256, media, content.size, ledger.clock())
        fresh = await ledger.write(lambda tx: attachments.keep(tx, who.facility, kept, who.credential, content))
    if not fresh:
        kept = await ledger.read(lambda tx: attachments.find(tx, who.facility, sha256))
    return answer(kept.shown(), 201 if fresh else 200)


def _media(request: Request) -> str:
    if request.headers.get("content-encoding", "identity").strip().lower() != "identity":
        raise WrongMedia("send it as it is, without a content encoding")
    return attachments.media_type(request.headers.get("content-type"))


async def _take(request: Request, content: Arriving) -> None:
    """The whole body. Raises TooLarge as soon as that is known, Unreadable where it breaks off."""
    length = request.headers.get("content-length", "")
    if length.isdecimal():
        content.expect(int(length))
    try:
        async for piece in request.stream():
            content.take(piece)
    except ClientDisconnect:
        raise Unreadable("the body broke off") from None


@router.get("/attachments/{sha256}", summary="Fetch an attachment", responses=_READ, response_class=Response)
async def get_attachment(request: Request, ledger: ALedger, who: Reader, sha256: Sha256) -> Response:
    """The content, to be kept as a file and not shown: browsers are told so.

    It is checked on its way out: content that is no longer what its digest says never arrives whole.
    """
    kept = await ledger.read(lambda tx: attachments.find(tx, who.facility, sha256))
    if known_already(request, sha256):
        return Response(status_code=304, headers=tag_header(sha256))
    return StreamingResponse(_content(ledger, who.facility, kept), headers=_headers(kept), media_type=kept.media_type)


@router.head("/attachments/{sha256}", summary="Look for an attachment", responses=_READ, response_class=Response)
async def head_attachment(request: Request, ledger: ALedger, who: Reader, sha256: Sha256) -> Response:
    """Whether the content is stored, its media type and its length, without the content."""
    kept = await ledger.read(lambda tx: attachments.find(tx, who.facility, sha256))
    if known_already(request, sha256):
        return Response(status_code=304, headers=tag_header(sha256))
    return Response(headers=_headers(kept), media_type=kept.media_type)


def _headers(kept: Kept) -> dict[str, str]:
    return {
        **_SAFELY,
        **tag_header(kept.sha256),
        "Content-Length": str(kept.size),
        "Content-Disposition": f'attachment; filename="{kept.sha256[:16]}{ENDINGS[kept.media_type]}"',
    }


async def _content(ledger: Ledger, facility: str, kept: Kept) -> AsyncIterator[bytes]:
    """The pieces; the last one leaves when all of them are known to be what was stored."""
    digest, held, number = hashlib.sha256(), b"", 0
    while (piece := await _piece(ledger, facility, kept, number)) is not None:
        if number:
            yield held
        digest.update(piece)
        held, number = piece, number + 1
    if digest.hexdigest() != kept.sha256:
        _log.error("stored content is damaged", facility=facility, sha256=kept.sha256)
        raise OSError("stored content is not what its digest says")
    yield held


async def _piece(ledger: Ledger, facility: str, kept: Kept, number: int) -> bytes | None:
    return await ledger.read(lambda tx: attachments.piece(tx, facility, kept.sha256, number))
