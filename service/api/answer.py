"""How answers leave: JSON, pages with cursors, entity tags."""

from __future__ import annotations

import base64
import binascii
from collections.abc import Mapping
from typing import Annotated, Any
from urllib.parse import quote, urlencode

import orjson
from fastapi import Query, Request, Response

from service.entries.refusals import Fault, NotAFact

MOST_OF_A_PAGE = 200
MOST_OF_CURSOR = 600
Limit = Annotated[int, Query(ge=1, le=MOST_OF_A_PAGE, description="Items a page.")]
Cursor = Annotated[
    str | None, Query(max_length=MOST_OF_CURSOR, description="Where the page before ended (its ``next``).")
]


def answer(content: Any, status: int = 200, headers: Mapping[str, str] | None = None) -> Response:
    """A JSON answer."""
    return Response(orjson.dumps(content), status, headers, "application/json")


def tagged(request: Request, content: Any, tag: str) -> Response:
    """A JSON answer with an ``ETag``; 304 where the caller has it already."""
    headers = tag_header(tag)
    if known_already(request, tag):
        return Response(status_code=304, headers=headers)
    return answer(content, headers=headers)


def known_already(request: Request, tag: str) -> bool:
    """Does the caller say that it has this state (If-None-Match)?"""
    known = [each.strip().removeprefix("W/") for each in request.headers.get("if-none-match", "").split(",")]
    return f'"{tag}"' in known or "*" in known


def tag_header(tag: str) -> dict[str, str]:
    """The headers of something that can be kept as long as its tag holds."""
    return {"ETag": f'"{tag}"', "Cache-Control": "private, no-cache"}


def address(request: Request, *below: str) -> str:
    """The path that was asked for and steps below it, written so that a header can hold them."""
    return "/".join([quote(request.scope["path"]), *(quote(step, safe="") for step in below)])


def page(request: Request, items: list[Any], cursor: str | None, **beside: Any) -> Response:
    """A page, the cursor of the next one, and its address (RFC 8288)."""
    headers = {}
    if cursor:
        headers["Link"] = f'<{address(request)}?{_asked(request)}{urlencode({"after": cursor})}>; rel="next"'
    return answer({**beside, "items": items, "next": cursor}, headers=headers)


def _asked(request: Request) -> str:
    """What was asked besides where to begin."""
    if not request.scope["query_string"]:
        return ""
    asked = [(name, value) for name, value in request.query_params.multi_items() if name != "after"]
    return urlencode(asked) + "&" if asked else ""


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
    if not isinstance(key, list) or [type(part) for part in key] != list(kinds) or not all(map(_keeps, key)):
        raise NotAFact(
            "not a cursor of this list", [Fault("/query/after", "not_a_cursor", "not a cursor of this list")]
        )
    return key


def _keeps(part: Any) -> bool:
    """Can a column hold this part of a cursor?"""
    return "\0" not in part if isinstance(part, str) else 0 <= part < 2**63
