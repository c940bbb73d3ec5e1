"""A server that answers without looking, to see how fast the load generator itself can go. No framework."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import Any


def app() -> Callable[..., Awaitable[None]]:
    """The least that is an application for uvicorn."""
    return _answer


async def _answer(scope: dict[str, Any], receive: Callable[[], Awaitable[Any]], send: Callable[..., Any]) -> None:
    if scope["type"] != "http":
        return
    while (await receive()).get("more_body"):
        pass
    headers = [(b"content-type", b"application/json"), (b"content-length", b"2")]
    await send({"type": "http.response.start", "status": 201, "headers": headers})
    await send({"type": "http.response.body", "body": b"{}"})
