"""Calls that come by the hundred a second, answered before the framework unwraps a request layer by layer.

Each is documented and routed like any other call; what stands here is the shorter way to the same function. The layers
(telemetry, limits, exceptions, routing) cost more than reading a body and answering it.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping

from fastapi import FastAPI, Request, Response
from starlette.types import ASGIApp, Receive, Scope, Send

from service.api.problems import told

Call = Callable[[Request], Awaitable[Response]]
Calls = Mapping[tuple[str, str], Call]
"""By method and the last step of the path."""


class Front:
    """The short way in: around everything else that a request would go through.

    Args:
        app: what answers all other requests.
        base: the path up to the facility.
        calls: what is answered here.
    """

    def __init__(self, app: ASGIApp, base: str, calls: Calls) -> None:
        self._app, self._base, self._calls = app, base, calls

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer a request."""
        call = self._call(scope)
        if call is None:
            await self._app(scope, receive, send)
            return
        request = Request(scope, receive, send)
        try:
            response = await call(request)
        except Exception as trouble:  # noqa: BLE001 - the outermost place there is
            response = told(request, trouble)
        await response(scope, receive, send)

    def _call(self, scope: Scope) -> Call | None:
        """The call a request is for, if it is one of these; the request then knows its facility."""
        if scope["type"] != "http" or scope.get("root_path") or not scope["path"].startswith(self._base):
            return None
        facility, _, last = scope["path"][len(self._base) :].partition("/")
        call = self._calls.get((scope["method"], last))
        if call is not None and facility:
            scope["path_params"], scope["endpoint"] = {"facility": facility}, call
            return call
        return None


def install(app: FastAPI, base: str, calls: Calls) -> None:
    """Let the app answer these at once."""
    build = app.build_middleware_stack
    app.build_middleware_stack = lambda: Front(build(), base, calls)  # type: ignore[method-assign]
