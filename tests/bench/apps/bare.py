"""The bare peer: FastAPI routes that validate a body with our own models, or return given bytes. No database."""

from __future__ import annotations

import os
from pathlib import Path

from fastapi import FastAPI, Response

from service.entries.asset import MeterRead
from service.entries.envelope import Envelope
from service.entries.work import TorqueApplied

BYTES = "BENCH_BYTES"
"""Names the file whose bytes ``/bytes`` returns."""


class MeterReadEntry(Envelope):
    """The envelope with the data of one type, as one would write it for a single route."""

    data: MeterRead  # type: ignore[assignment]


class TorqueAppliedEntry(Envelope):
    """The same for a torque."""

    data: TorqueApplied  # type: ignore[assignment]


def app() -> FastAPI:
    """The bare peer."""
    bare = FastAPI()
    content = Path(os.environ[BYTES]).read_bytes() if BYTES in os.environ else b"{}"

    @bare.post("/meter.read", status_code=201)
    async def post_meter(entry: MeterReadEntry) -> dict[str, str | None]:
        return {"id": entry.id}

    @bare.post("/torque.applied", status_code=201)
    async def post_torque(entry: TorqueAppliedEntry) -> dict[str, str | None]:
        return {"id": entry.id}

    @bare.get("/bytes")
    async def get_bytes() -> Response:
        return Response(content, media_type="application/json")

    return bare
