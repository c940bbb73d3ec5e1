"""The log as strangers read it, in the open formats: checkpoint, keys, tiles, proofs."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from typing import Annotated, Any, Final

from fastapi import APIRouter, Path, Query, Request, Response

from service.api import log_shapes
from service.api.answer import answer, tag_header
from service.api.callers import ALedger, AnyCaller, Reader
from service.api.intake import read_text
from service.api.problems import documented
from service.ledger import log

router = APIRouter(prefix="/log", tags=["log"])
_TEXT: Final = "text/plain; charset=utf-8"
_FOR_EVER: Final = {"Cache-Control": "public, max-age=31536000, immutable", "Vary": "Authorization"}
"""Whoever stands between may keep it for good, and give it only to who brings the same token (RFC 9111 section 4.1)."""
_READ: Final = documented(401, 403, 404, 422, 503)
_NOT_MODIFIED: Final[dict[int | str, dict[str, Any]]] = {304: {"description": "Not modified."}}


def _gives(media: str, description: str, example: str | None = None) -> dict[int | str, dict[str, Any]]:
    """``responses=`` of a route that answers with no JSON."""
    binary = media == "application/octet-stream"
    shown: dict[str, Any] = {"schema": {"type": "string", **({"format": "binary"} if binary else {})}}
    if example is not None:
        shown["example"] = example
    return {200: {"description": description, "content": {media: shown}}}


_NOTE: Final = """\
skerrow.example/regulators
49
5LblzUGBP3XxHQmVt1JPNSZkM1Xp3JsuCjMZzZYPxR8=

— skerrow.example/regulators Hw2LWmUvtTb2…=
"""
_COSIGNATURE: Final = "— witness.example/north lXk1wAAAAABpE…=\n"
COSIGNATURE_BODY: Final[dict[str, Any]] = {
    "required": True,
    "content": {"text/plain": {"schema": {"type": "string"}, "example": _COSIGNATURE}},
}


def _bytes(request: Request, content: bytes, media: str, cached: Mapping[str, str] | None = None) -> Response:
    """An answer with an ``ETag``; 304 where the caller has it already."""
    headers = tag_header(hashlib.sha256(content).hexdigest()[:32]) | dict(cached or {})
    known = [each.strip().removeprefix("W/") for each in request.headers.get("if-none-match", "").split(",")]
    if headers["ETag"] in known or "*" in known:
        return Response(status_code=304, headers=headers)
    return Response(content, headers=headers, media_type=media)


@router.get(
    "/checkpoint",
    summary="Read the signed checkpoint",
    responses={**_gives("text/plain", "A signed note (C2SP tlog-checkpoint).", _NOTE), **_NOT_MODIFIED, **_READ},
    response_class=Response,
)
async def get_checkpoint(request: Request, ledger: ALedger, who: Reader) -> Response:
    """Origin, size and root of the log, signed with its Ed25519 key; cosignatures of witnesses over it follow.

    Keep the last one you have seen: a later one whose log is not a continuation of it shows that entries were changed.
    """
    return _bytes(request, await ledger.checkpoint(who.facility), _TEXT)


@router.get(
    "/key",
    summary="Read the verifier key",
    responses={**_gives("text/plain", "The verifier key (C2SP signed-note), one line."), **_NOT_MODIFIED, **_READ},
    response_class=Response,
)
async def get_key(request: Request, ledger: ALedger, who: Reader) -> Response:
    """The key that verifies checkpoints now. Compare it over another channel before you rely on it."""
    line = await ledger.read(lambda tx: log.key_line(tx, who.facility))
    return _bytes(request, line.encode(), _TEXT)


@router.get(
    "/keys",
    summary="Read every verifier key",
    responses={200: {"model": log_shapes.LogKeys}, **_READ},
    response_class=Response,
)
async def get_keys(ledger: ALedger, who: Reader) -> Response:
    """All keys the log has had, oldest first, with the size from which each signs. Old ones verify old checkpoints."""
    return answer({"items": await ledger.read(lambda tx: log.all_keys(tx, who.facility))})


@router.get(
    "/tile/{path:path}",
    summary="Read a tile or an entry bundle",
    responses={
        **_gives("application/octet-stream", "Hashes of 32 bytes, or entries each after its length in two bytes."),
        **_NOT_MODIFIED,
        **_READ,
    },
    response_class=Response,
)
async def get_tile(
    request: Request,
    ledger: ALedger,
    who: Reader,
    path: Annotated[
        str,
        Path(
            description="`L/N`, or `entries/N` for the entries themselves; N in groups of three digits, all but the "
            "last after an x, and `.p/W` where it is W wide.",
            examples=["0/x001/x234/067", "entries/000.p/49"],
        ),
    ],
) -> Response:
    """The Merkle tree in tiles of 256 hashes (C2SP tlog-tiles), and the entries in bundles of as many.

    Full ones never change and may be kept for ever; a partial one is there from the size on that has all of it.
    """
    piece = await ledger.read(lambda tx: log.piece(tx, who.facility, path))
    return _bytes(request, piece.content, "application/octet-stream", _FOR_EVER if piece.full else None)


@router.get(
    "/proof",
    summary="Prove one entry",
    responses={**_gives("text/plain", "A proof that verifies alone (C2SP tlog-proof)."), **_NOT_MODIFIED, **_READ},
    response_class=Response,
)
async def get_proof(
    request: Request,
    ledger: ALedger,
    who: Reader,
    seq: Annotated[int, Query(ge=1, le=2**53, description="The entry's seq.")],
) -> Response:
    """One file with the entry's canonical bytes, its path through the tree and the signed checkpoint.

    With the verifier key it proves the entry without this service: `witnessmark verify`, or any reader of the format.
    """
    return _bytes(request, await ledger.proof(who.facility, seq), _TEXT)


@router.get(
    "/consistency",
    summary="Prove that the log only grew",
    responses={**_gives("text/plain", "Hashes in base64, one to a line (RFC 9162)."), **_NOT_MODIFIED, **_READ},
    response_class=Response,
)
async def get_consistency(
    request: Request,
    ledger: ALedger,
    who: Reader,
    from_: Annotated[int, Query(alias="from", ge=0, le=2**53, description="Size of the earlier checkpoint.")],
    to: Annotated[int, Query(ge=0, le=2**53, description="Size of the later checkpoint.")],
) -> Response:
    """The consistency proof between two checkpoints: nothing recorded before the first was altered or dropped."""
    hashes = await ledger.read(lambda tx: log.consistency(tx, who.facility, from_, to))
    return _bytes(request, hashes.encode(), _TEXT)


@router.post(
    "/cosignatures",
    summary="Cosign the checkpoint",
    responses={**_gives("text/plain", "The checkpoint, with the cosignature.", _NOTE),
               **documented(400, 401, 403, 404, 409, 413, 415, 422, 503)},
    openapi_extra={"requestBody": COSIGNATURE_BODY},
    response_class=Response,
)  # fmt: skip
async def post_cosignatures(request: Request, ledger: ALedger, who: AnyCaller) -> Response:
    """A witness's signature (C2SP tlog-cosignature) over the present checkpoint: its line alone, or the note with it.

    Scope: `admin`. The witness must be known here (`witnessmark witness add`). The line is served with the checkpoint
    until the log grows.
    """
    who.needs("admin")
    await ledger.cosign(who.facility, await read_text(request))
    return _bytes(request, await ledger.checkpoint(who.facility), _TEXT)
