"""Answers that come from a replica say how much of the ledger they know."""

from __future__ import annotations

from typing import Final

from fastapi import FastAPI
from starlette.types import ASGIApp, Message, Receive, Scope, Send

_HEADER: Final = b"ledger-size"


class SaysHowFar:
    """Adds ``Ledger-Size`` to answers that ``callers.look`` has given: entries of the ledger they were read from."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request."""

        async def told(message: Message) -> None:
            size = scope.get("state", {}).get("ledger_size")
            if message["type"] == "http.response.start" and size is not None:
                message["headers"] = [*message.get("headers", ()), (_HEADER, str(size).encode())]
            await send(message)

        await self._app(scope, receive, told)


def install(app: FastAPI) -> None:
    """Let all answers of the app say so, those too that are given in front of it: call it after ``front.install``."""
    build = app.build_middleware_stack
    app.build_middleware_stack = lambda: SaysHowFar(build())  # type: ignore[method-assign]
