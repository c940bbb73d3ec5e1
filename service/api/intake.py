"""Bodies in: bytes to drafts, strictly."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from fastapi import Request
from pydantic_core import PydanticCustomError

from service.entries.envelope import MOST_ENTRIES, Draft, read_envelope
from service.entries.reading import read_json
from service.entries.refusals import MOST_FAULTS, Fault, NotAFact, TooLarge, WrongMedia, pointer
from service.entries.words import moment_of


async def read_body(request: Request) -> Any:
    """The JSON value of a body.

    Raises:
        WrongMedia: it says that it is something else.
        TooLarge: longer than the service takes.
        Unreadable: see ``read_json``.
    """
    _says_json(request)
    most: int = request.app.state.most_body_bytes
    body = bytearray()
    async for chunk in request.stream():
        body += chunk
        if len(body) > most:
            raise TooLarge(f"a body holds at most {most} bytes")
    return read_json(bytes(body))


def _says_json(request: Request) -> None:
    """A body without a media type is taken for JSON; one that names another is not guessed at."""
    media, _, _ = request.headers.get("content-type", "application/json").partition(";")
    media = media.strip().lower()
    if media != "application/json" and not (media.startswith("application/") and media.endswith("+json")):
        raise WrongMedia(f"send it as application/json, not as {media[:80] or 'nothing'}")
    if request.headers.get("content-encoding", "identity").strip().lower() != "identity":
        raise WrongMedia("send it as it is, without a content encoding")


def read_entries(body: Any) -> list[Draft]:
    """Drafts from one entry, a list, or ``{"defaults": …, "entries": […]}``.

    Raises:
        TooLarge: more entries than a post may hold.
        NotAFact: all that is wrong with any of them.
    """
    defaults, values, root = _unwrapped(body)
    if not values:
        raise NotAFact("no entries", [Fault("/entries" if root else "", "too_few", "at least one entry is wanted")])
    if len(values) > MOST_ENTRIES:
        raise TooLarge(f"a post holds at most {MOST_ENTRIES} entries; send more of them, or stream them as NDJSON")
    drafts, faults = [], []
    for index, value in enumerate(values):
        place = f"{root}/{index}" if root is not None else ""
        draft = read_envelope({**defaults, **value} if isinstance(value, dict) else value, place)
        if isinstance(draft, Draft):
            drafts.append(draft)
        else:
            faults += draft
        if len(faults) >= MOST_FAULTS:
            break  # a refusal names no more of them
    if faults:
        raise NotAFact(faults[0].detail, faults, code=faults[0].code if len(faults) == 1 else None)
    return drafts


_WRAPPER = {"defaults", "entries", "sent_at"}
_DEFAULTS = {"type", "v", "occurred_at", "asset", "rebuild", "by"}


def _unwrapped(body: Any) -> tuple[Mapping[str, Any], list[Any], str | None]:
    """Defaults, entries, and the pointer to the list (None: the body is a single entry)."""
    if isinstance(body, list):
        return {}, body, ""
    if not isinstance(body, dict) or "entries" not in body:
        return {}, [body], None
    defaults, entries = body.get("defaults", {}), body["entries"]
    unknown = set(body) - _WRAPPER
    faults = [Fault(pointer((name,)), "unknown_member", "this member is not known here") for name in unknown]
    if not isinstance(entries, list):
        faults.append(Fault("/entries", "wrong_type", "a list of entries is wanted"))
    if not isinstance(defaults, dict):
        faults.append(Fault("/defaults", "wrong_type", "an object is wanted"))
    else:
        unknown = set(defaults) - _DEFAULTS
        faults += [Fault(pointer(("defaults", name)), "unknown_member", "this cannot be a default") for name in unknown]
    if "sent_at" in body and not _is_time(body["sent_at"]):
        faults.append(Fault("/sent_at", "not_a_time", "an RFC 3339 time with offset is wanted"))
    if faults:
        raise NotAFact(faults[0].detail, sorted(faults, key=lambda fault: fault.pointer))
    return defaults, entries, "/entries"


def _is_time(value: Any) -> bool:
    try:
        moment_of(value)
    except PydanticCustomError:
        return False
    return True
