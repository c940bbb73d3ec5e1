"""Assets: the register of positions and the devices in them."""

from __future__ import annotations

from typing import Annotated, Any, Final

from fastapi import APIRouter, Header, Path, Query, Request, Response

from service.api import register_shapes as shapes
from service.api.answer import Cursor, Limit, answer, page, read_cursor, tag_header, tagged, write_cursor
from service.api.callers import ALedger, AnyCaller, Reader, look
from service.api.document import ASSET_BODY, PATCH_BODY
from service.api.intake import read_body
from service.api.problems import documented
from service.api.sugar import READ, TAKEN, an_object, created, record
from service.entries.refusals import Fault, NotAFact, Unconditional
from service.ledger import answers

router = APIRouter(tags=["assets"])
Tag = Annotated[str, Path(description="The tag of the position.", examples=["OX2-LB"])]
_REGISTERED: Final = {"/data": "", "/asset": "/tag", "/type": ""}
_PATCHED: Final = {"/data/patch": "", "/data": "", "/asset": "/path/tag", "/type": ""}


@router.post(
    "/assets",
    summary="Register an asset",
    status_code=201,
    responses={201: {"model": shapes.AssetShape, "description": "Registered."}, **TAKEN},
    openapi_extra={"requestBody": ASSET_BODY},
    response_class=Response,
)
async def post_asset(request: Request, ledger: ALedger, who: AnyCaller) -> Response:
    """The members of ``asset.registered`` with the tag among them."""
    body = an_object(await read_body(request))
    tag = body.get("tag")
    if not isinstance(tag, str):
        code = "wrong_type" if "tag" in body else "missing"
        raise NotAFact("a tag is wanted", [Fault("/tag", code, "the tag of the position is wanted")], code=code)
    await record(ledger, who, "asset.registered", body, tag, places=_REGISTERED)
    asset = await ledger.read(lambda tx: answers.one_asset(tx, who.facility, tag))
    return created(request, asset, tag, headers=tag_header(_version(asset)))


@router.patch(
    "/assets/{tag}",
    summary="Amend an asset",
    responses={200: {"model": shapes.AssetShape, "description": "Amended."}, **TAKEN, **documented(412, 428)},
    openapi_extra={"requestBody": PATCH_BODY},
    response_class=Response,
)
async def patch_asset(
    request: Request,
    ledger: ALedger,
    who: AnyCaller,
    tag: Tag,
    if_match: Annotated[str | None, Header(description="The ETag you have read.")] = None,
) -> Response:
    """A merge patch (RFC 7396) on the register as you have read it: ``If-Match`` carries its ETag."""
    patch = an_object(await read_body(request))
    if if_match is None:
        raise Unconditional("send If-Match with the ETag of the asset as you have read it")
    await ledger.read(lambda tx: answers.one_asset(tx, who.facility, tag))
    await record(ledger, who, "asset.amended", {"patch": patch}, tag, _unless_changed(tag, if_match), _PATCHED)
    asset = await ledger.read(lambda tx: answers.one_asset(tx, who.facility, tag))
    return answer(asset, headers=tag_header(_version(asset)))


def _version(asset: dict[str, Any]) -> str:
    """Entries make a new version, and so does being taken out of service."""
    return f"{asset['seq']}{'-out' if asset['out_of_service'] else ''}"


def _unless_changed(tag: str, if_match: str) -> tuple[str, int] | None:
    """The seq that the caller has seen; what is no tag of ours matches nothing."""
    if if_match.strip() == "*":
        return None
    seen = if_match.strip().removeprefix("W/").strip('"').removesuffix("-out")
    return tag, int(seen) if seen.isascii() and seen.isdigit() and len(seen) < 17 else -1


@router.get(
    "/assets",
    summary="List assets",
    responses={200: {"model": shapes.AssetPage}, **READ},
    response_class=Response,
)
async def get_assets(
    request: Request,
    who: Reader,
    limit: Limit = 50,
    after: Cursor = None,
    kind: Annotated[str | None, Query(description="One kind only, such as `bank_regulator`.")] = None,
    gas: Annotated[str | None, Query(description="One gas only.")] = None,
    parent: Annotated[str | None, Query(description="Directly below this tag only.")] = None,
) -> Response:
    """Assets by tag."""
    (tag,) = read_cursor(after, str) or [""]
    wanted = {"kind": kind, "gas": gas, "parent": parent}
    items = await look(request, who, lambda tx: answers.assets(tx, who.facility, tag, limit, wanted))
    return page(request, items[:limit], write_cursor(items[limit - 1]["tag"]) if len(items) > limit else None)


@router.get(
    "/assets/{tag}",
    summary="Read an asset",
    responses={200: {"model": shapes.AssetShape}, 304: {"description": "Not modified."}, **READ},
    response_class=Response,
)
async def get_asset(request: Request, who: Reader, tag: Tag) -> Response:
    """The register as it stands; its ETag is what a ``PATCH`` wants."""
    asset = await look(request, who, lambda tx: answers.one_asset(tx, who.facility, tag))
    return tagged(request, asset, _version(asset))
