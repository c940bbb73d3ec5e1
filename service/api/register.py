"""Assets, procedures and instruments: each call is sugar over an entry."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Header, Path, Request, Response

from service.access.tokens import Caller
from service.api import shapes
from service.api.answer import Cursor, Limit, answer, page, read_cursor, tagged, write_cursor
from service.api.callers import ALedger, AnyCaller, Reader
from service.api.document import body_of
from service.api.entries import submission
from service.api.intake import read_body
from service.api.problems import documented
from service.entries.envelope import Draft, read_envelope
from service.entries.refusals import Fault, NotAFact, Unconditional
from service.ledger import answers
from service.ledger.entry import rfc3339
from service.ledger.ledger import Ledger

router = APIRouter()
_TAKEN = documented(400, 401, 403, 404, 409, 413, 422, 503)
_READ = documented(401, 403, 404, 422)
Revision = Annotated[int, Path(ge=1, le=100_000)]


def _entry(type_: str, data: Any, ledger: Ledger, asset: str | None = None) -> list[Draft]:
    """The entry behind a call; faults point into the call's own body."""
    if not isinstance(data, dict):
        raise NotAFact("a JSON object is wanted", [Fault("", "wrong_type", "a JSON object is wanted")])
    envelope = {"type": type_, "occurred_at": rfc3339(ledger.clock()), "data": data}
    draft = read_envelope(envelope | ({"asset": asset} if asset is not None else {}))
    if isinstance(draft, Draft):
        return [draft]
    faults = [Fault(fault.pointer.removeprefix("/data"), fault.code, fault.detail) for fault in draft]
    raise NotAFact(faults[0].detail, faults, code=faults[0].code if len(faults) == 1 else None)


async def _record(ledger: Ledger, who: Caller, drafts: list[Draft]) -> None:
    await ledger.submit(who.facility, submission(drafts, who))


def _created(request: Request, content: dict[str, Any], path: str) -> Response:
    return answer(content, 201, {"Location": f"{request.url.path.rstrip('/')}/{path}" if path else request.url.path})


@router.post(
    "/assets",
    tags=["assets"],
    summary="Register an asset",
    status_code=201,
    responses={201: {"model": shapes.AssetShape}, **_TAKEN},
    openapi_extra={"requestBody": body_of("asset.registered")},
    response_class=Response,
)
async def post_asset(request: Request, ledger: ALedger, who: AnyCaller) -> Response:
    """The members of ``asset.registered`` with the tag among them."""
    body = await read_body(request)
    tag = body.get("tag") if isinstance(body, dict) else None
    if not isinstance(tag, str):
        raise NotAFact("a tag is wanted", [Fault("/tag", "missing", "the tag of the position is wanted")])
    await _record(ledger, who, _entry("asset.registered", body, ledger, tag))
    return _created(request, await ledger.read(lambda tx: answers.one_asset(tx, who.facility, tag)), tag)


@router.patch(
    "/assets/{tag}",
    tags=["assets"],
    summary="Amend an asset",
    responses={200: {"model": shapes.AssetShape}, **_TAKEN, **documented(412, 428)},
    openapi_extra={
        "requestBody": {
            "required": True,
            "content": {"application/merge-patch+json": {"schema": {"type": "object", "minProperties": 1}}},
        }
    },
    response_class=Response,
)
async def patch_asset(
    request: Request,
    ledger: ALedger,
    who: AnyCaller,
    tag: str,
    if_match: Annotated[str | None, Header(description="The ETag you have read.")] = None,
) -> Response:
    """A merge patch (RFC 7396) on the register as you have read it: ``If-Match`` carries its ETag."""
    if if_match is None:
        raise Unconditional("send If-Match with the ETag of the asset as you have read it")
    patch = await read_body(request)
    seen = if_match.strip().removeprefix("W/").strip('"')
    drafts = _entry("asset.amended", {"patch": patch}, ledger, tag)
    wanted = (tag, int(seen)) if seen.isascii() and seen.isdigit() and len(seen) < 17 else (tag, -1)
    await ledger.submit(who.facility, submission(drafts, who, wanted if seen != "*" else None))
    asset = await ledger.read(lambda tx: answers.one_asset(tx, who.facility, tag))
    return tagged(request, asset, asset["seq"])


@router.get(
    "/assets",
    tags=["assets"],
    summary="List assets",
    responses={200: {"model": shapes.ThingPage}, **_READ},
    response_class=Response,
)
async def get_assets(  # noqa: PLR0913, PLR0917 - one parameter for each way to narrow the list
    request: Request,
    ledger: ALedger,
    who: Reader,
    limit: Limit = 50,
    after: Cursor = None,
    kind: str | None = None,
    gas: str | None = None,
    parent: str | None = None,
) -> Response:
    """Assets by tag."""
    (tag,) = read_cursor(after, str) or [""]
    wanted = {"kind": kind, "gas": gas, "parent": parent}
    items = await ledger.read(lambda tx: answers.assets(tx, who.facility, tag, limit, wanted))
    return page(request, items[:limit], write_cursor(items[limit - 1]["tag"]) if len(items) > limit else None)


@router.get(
    "/assets/{tag}",
    tags=["assets"],
    summary="Read an asset",
    responses={200: {"model": shapes.AssetShape}, 304: {"description": "Not modified."}, **_READ},
    response_class=Response,
)
async def get_asset(request: Request, ledger: ALedger, who: Reader, tag: str) -> Response:
    """The register as it stands; its ETag is what a ``PATCH`` wants."""
    asset = await ledger.read(lambda tx: answers.one_asset(tx, who.facility, tag))
    return tagged(request, asset, asset["seq"])


@router.post(
    "/procedures",
    tags=["procedures"],
    summary="Publish a procedure revision",
    status_code=201,
    responses={201: {"description": "Published."}, **_TAKEN},
    openapi_extra={"requestBody": body_of("procedure.published")},
    response_class=Response,
)
async def post_procedure(request: Request, ledger: ALedger, who: AnyCaller) -> Response:
    """The next revision of a procedure; it never changes afterwards."""
    body = await read_body(request)
    await _record(ledger, who, _entry("procedure.published", body, ledger))
    code, revision = body["code"], body["revision"]
    content = await ledger.read(lambda tx: answers.one_procedure(tx, who.facility, code, revision))
    return _created(request, content, f"{code}/revisions/{revision}")


@router.get(
    "/procedures",
    tags=["procedures"],
    summary="List procedures",
    responses={200: {"model": shapes.ThingPage}, **_READ},
    response_class=Response,
)
async def get_procedures(
    request: Request, ledger: ALedger, who: Reader, limit: Limit = 50, after: Cursor = None
) -> Response:
    """Procedure codes, each with its newest revision."""
    (code,) = read_cursor(after, str) or [""]
    items = await ledger.read(lambda tx: answers.procedures(tx, who.facility, code, limit))
    return page(request, items[:limit], write_cursor(items[limit - 1]["code"]) if len(items) > limit else None)


@router.get(
    "/procedures/{code}",
    tags=["procedures"],
    summary="Read the newest revision",
    responses={200: {"description": "The revision as published, with sockets for its tools."}, **_READ},
    response_class=Response,
)
async def get_procedure(ledger: ALedger, who: Reader, code: str) -> Response:
    """The newest revision. For each tool with an across-flats size: which sockets fit, and which must not be used."""
    return answer(await ledger.read(lambda tx: answers.one_procedure(tx, who.facility, code, None)))


@router.get(
    "/procedures/{code}/revisions/{revision}",
    tags=["procedures"],
    summary="Read a revision",
    responses={200: {"description": "The revision as published, with sockets for its tools."}, **_READ},
    response_class=Response,
)
async def get_revision(request: Request, ledger: ALedger, who: Reader, code: str, revision: Revision) -> Response:
    """One revision; it never changes."""
    content = await ledger.read(lambda tx: answers.one_procedure(tx, who.facility, code, revision))
    return tagged(request, content, f"{revision}-{len(content['revisions'])}")


@router.post(
    "/instruments",
    tags=["instruments"],
    summary="Register an instrument",
    status_code=201,
    responses={201: {"description": "Registered."}, **_TAKEN},
    openapi_extra={"requestBody": body_of("instrument.registered")},
    response_class=Response,
)
async def post_instrument(request: Request, ledger: ALedger, who: AnyCaller) -> Response:
    """A torque tool, a pressure gauge or a thermometer."""
    body = await read_body(request)
    await _record(ledger, who, _entry("instrument.registered", body, ledger))
    name = body["instrument"]
    return _created(request, await ledger.read(lambda tx: answers.one_instrument(tx, who.facility, name)), name)


@router.post(
    "/instruments/{name}/calibrations",
    tags=["instruments"],
    summary="Record a calibration",
    status_code=201,
    responses={201: {"description": "Recorded; the instrument with all its certificates."}, **_TAKEN},
    openapi_extra={"requestBody": body_of("instrument.calibrated")},
    response_class=Response,
)
async def post_calibration(request: Request, ledger: ALedger, who: AnyCaller, name: str) -> Response:
    """A certificate for an instrument that is registered; rebuilds that used it are judged again."""
    body = await read_body(request)
    await ledger.read(lambda tx: answers.one_instrument(tx, who.facility, name))
    if isinstance(body, dict) and body.setdefault("instrument", name) != name:
        fault = Fault("/instrument", "two_instruments", f"the address says {name}")
        raise NotAFact(fault.detail, [fault], code=fault.code)
    await _record(ledger, who, _entry("instrument.calibrated", body, ledger))
    return _created(request, await ledger.read(lambda tx: answers.one_instrument(tx, who.facility, name)), "")


@router.get(
    "/instruments",
    tags=["instruments"],
    summary="List instruments",
    responses={200: {"model": shapes.ThingPage}, **_READ},
    response_class=Response,
)
async def get_instruments(
    request: Request, ledger: ALedger, who: Reader, limit: Limit = 50, after: Cursor = None
) -> Response:
    """Instruments by code, each with its certificates."""
    (name,) = read_cursor(after, str) or [""]
    items = await ledger.read(lambda tx: answers.instruments(tx, who.facility, name, limit))
    return page(request, items[:limit], write_cursor(items[limit - 1]["instrument"]) if len(items) > limit else None)


@router.get(
    "/instruments/{name}",
    tags=["instruments"],
    summary="Read an instrument",
    responses={200: {"description": "The instrument with its certificates and events."}, **_READ},
    response_class=Response,
)
async def get_instrument(request: Request, ledger: ALedger, who: Reader, name: str) -> Response:
    """One instrument with its certificates and events."""
    content = await ledger.read(lambda tx: answers.one_instrument(tx, who.facility, name))
    return tagged(request, content, content["seq"])
