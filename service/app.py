"""The one place where parts are put together."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from datetime import UTC, datetime
from importlib.metadata import version

from fastapi import FastAPI

from service.api import assets, checks, document, due, entries, health, instruments, problems, procedures, rebuilds
from service.ledger.ledger import Ledger
from service.settings import Settings
from service.store.engine import Store


def now() -> datetime:
    """The present instant, UTC."""
    return datetime.now(UTC)


def create_app(settings: Settings, clock: Callable[[], datetime] = now) -> FastAPI:
    """The service over a database that ``migrate`` has brought up to date."""
    ledger = Ledger(Store(settings.database_url), clock)

    @asynccontextmanager
    async def running(_: FastAPI) -> AsyncIterator[None]:
        ledger.start()
        try:
            yield
        finally:
            ledger.stop()

    app = FastAPI(
        title="Witness Mark",
        version=version("witnessmark"),
        summary="The service-event ledger for medical-gas regulators.",
        lifespan=running,
        redoc_url=None,
        redirect_slashes=False,
        generate_unique_id_function=document.operation_id,
    )
    app.state.ledger = ledger
    app.state.most_body_bytes = settings.most_body_bytes
    problems.install(app)
    document.install(app)
    app.include_router(health.router)
    for part in (entries, assets, procedures, instruments, rebuilds, checks, due):
        app.include_router(part.router, prefix="/v1/facilities/{facility}")
    return app
