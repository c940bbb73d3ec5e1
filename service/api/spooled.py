"""An answer that waits in a temporary file."""

from __future__ import annotations

from typing import IO

from fastapi import Response
from starlette.types import Receive, Scope, Send

_PIECE = 65_536


class Spooled(Response):
    """A file sent from its beginning, its length known, and closed whatever happens."""

    def __init__(self, file: IO[bytes], media_type: str) -> None:
        super().__init__(None, 200, {"Content-Length": str(file.tell())}, media_type)
        self._file = file

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:  # noqa: ARG002 - as every answer is
        """Send it piece by piece, no faster than the caller takes it."""
        with self._file as file:
            file.seek(0)
            await send({"type": "http.response.start", "status": self.status_code, "headers": self.raw_headers})
            while piece := file.read(_PIECE):
                await send({"type": "http.response.body", "body": piece, "more_body": True})
            await send({"type": "http.response.body", "body": b""})
