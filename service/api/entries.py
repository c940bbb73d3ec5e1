"""``/entries``: post what happened, read what was recorded."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Query, Request, Response

from service.access.tokens import Caller
from service.api import bulk, shapes
from service.api.answer import Limit, answer, page
from service.api.callers import ALedger, AnyCaller, Reader, ledger_of, let_in, look
from service.api.document import ENTRIES_BODY, ENTRIES_REPLAYED, LINES
from service.api.intake import media_type, read_body, read_entries, refuse_encoding
from service.api.problems import documented
from service.entries.envelope import Draft
from service.ledger import answers
from service.ledger.receipt import Receipt, Submission

router = APIRouter(tags=["entries"])


@router.post(
    "/entries",
    summary="Record entries",
    status_code=201,
    responses={
        201: {"model": shapes.ReceiptShape, "description": "Recorded; durable before this answer."},
        200: ENTRIES_REPLAYED,
        **documented(400, 401, 403, 404, 408, 409, 413, 415, 422, 503),
    },
    openapi_extra={"requestBody": ENTRIES_BODY},
    response_class=Response,
)
async def post_entries(request: Request, _: ALedger, who: AnyCaller) -> Response:
    """One entry, a list, or ``{"defaults": {…}, "entries": […], "sent_at": …}``: all of it is recorded, or nothing.

    An ``id`` left out is derived from the content, so the same file posted twice changes nothing. The answer gives for
    each entry its ``seq``, ``id`` and leaf hash, where the ledger ends, and which rebuilds and findings it touched.

    As ``application/x-ndjson`` any number of entries, one a line, each for itself: they are recorded in chunks while
    the body comes in, and answered with 200 when it has ended, a line for each and a last line with ``done``. Where
    anything else is answered, or the last line is missing, count every line as not taken and send all of it again: what
    was recorded answers as before.
    """
    return await record(request, who)


async def record(request: Request, who: Caller) -> Response:
    """Take a body of entries, or of lines, from this caller."""
    if media_type(request) == LINES:
        refuse_encoding(request)
        return await bulk.record_lines(request, ledger_of(request), who)
    drafts = read_entries(await read_body(request))
    receipt = await ledger_of(request).submit(who.facility, submission(drafts, who))
    fresh = any(not one.replayed for one in receipt.accepted)
    return answer(shown(receipt), 201 if fresh else 200)


async def post_entries_at_once(request: Request) -> Response:
    """The same, past the resolving of parameters, which costs more than the rest of the request."""
    return await record(request, await let_in(request, request.path_params["facility"]))


def submission(drafts: list[Draft], who: Caller, unless_changed: tuple[str, int] | None = None) -> Submission:
    """What the ledger is asked to record for this caller."""
    return Submission(drafts, who.credential, who.scopes, unless_changed)


def shown(receipt: Receipt) -> dict[str, Any]:
    """A receipt as the wire shows it."""
    return {
        "accepted": [
            {"seq": one.seq, "id": one.id, "leaf_hash": one.leaf_hash.hex(), "replayed": one.replayed}
            for one in receipt.accepted
        ],
        "size": receipt.size,
        "root": receipt.root.hex(),
        "rebuilds": receipt.rebuilds,
        "findings": receipt.findings,
    }


@router.get(
    "/entries",
    summary="Read entries in order",
    responses={200: {"model": shapes.EntryPage}, **documented(401, 403, 404, 422, 503)},
    response_class=Response,
)
async def get_entries(
    request: Request,
    who: Reader,
    after: Annotated[int, Query(ge=0, le=2**53, description="The last seq you have.")] = 0,
    limit: Limit = 50,
    rebuild: Annotated[str | None, Query(description="Of one rebuild, by its id.")] = None,
    asset: Annotated[str | None, Query(description="About one asset, by its tag.")] = None,
    type: Annotated[str | None, Query(description="One entry type.")] = None,  # noqa: A002 - the wire's word
) -> Response:
    """What was recorded, as it was recorded; ``corrected_by`` names the corrections beside each entry."""
    items, following = await look(
        request,
        who,
        lambda tx: answers.entry_page(tx, who.facility, after, limit, rebuild=rebuild, asset=asset, type_=type),
    )
    return page(request, items, str(following) if following is not None else None)
