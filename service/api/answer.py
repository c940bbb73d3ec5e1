"""How answers leave: JSON, pages with cursors, entity tags."""

from __future__ import annotations

import base64
import binascii
from collections.abc import Mapping
from typing import Annotated, Any

import orjson
from fastapi import Query, Request, Response

from service.entries.refusals import Fault, NotAFact

Limit = Annotated[int, Query(ge=1, le=200, description="Items a page.")]
Cursor = Annotated[str | None, Query(max_length=600, description="Where the page before ended (its ``next``).")]


def answer(content: Any, status: int = 200, headers: Mapping[str, str] | None = None) -> Response:
    """A JSON answer."""
    return Response(orjson.dumps(content), status, headers, "application/json")


def tagged(request: Request, content: Any, tag: object) -> Response:
    """A JSON answer with an ``ETag``; 304 where the caller has it already."""
    etag = f'"{tag}"'
    known = [each.strip().removeprefix("W/") for each in request.headers.get("if-none-match", "").split(",")]
    headers = {"ETag": etag, "Cache-Control": "private, no-cache"}
    if etag in known or "*" in known:
        return Response(status_code=304, headers=headers)
    return answer(content, headers=headers)


def page(request: Request, items: list[Any], cursor: str | None, **beside: Any) -> Response:
    """A page, the cursor of the next one, and its address (RFC 8288)."""
    headers = {}
    if cursor:
        address = request.url.include_query_params(after=cursor)
        headers["Link"] = f'<{address.path}?{address.query}>; rel="next"'
    return answer({**beside, "items": items, "next": cursor}, headers=headers)


def write_cursor(*key: Any) -> str:
    """An opaque cursor."""
    return base64.urlsafe_b64encode(orjson.dumps(key)).decode().rstrip("=")


def read_cursor(cursor: str | None, *kinds: type) -> list[Any] | None:
    """What a cursor was made of. Raises NotAFact for one we did not give."""
    if cursor is None:
        return None
    try:
        key = orjson.loads(base64.urlsafe_b64decode(cursor + "=" * (-len(cursor) % 4)))
    except (ValueError, binascii.Error):
        key = None
    if not isinstance(key, list) or [type(part) for part in key] != list(kinds) or "\0" in str(key):
        raise NotAFact(
            "not a cursor of this list", [Fault("/query/after", "not_a_cursor", "not a cursor of this list")]
        )
    return key
