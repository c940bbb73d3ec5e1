"""The one place where parts are put together."""

from __future__ import annotations

import gc
import threading
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from datetime import UTC, datetime
from importlib.metadata import version

from fastapi import FastAPI
from fastapi_offline import FastAPIOffline

from service.access.doorkeeper import Doorkeeper
from service.api import (
    assets,
    checks,
    document,
    due,
    entries,
    front,
    health,
    history,
    instruments,
    log,
    problems,
    procedures,
    rebuilds,
    replica,
)
from service.api.bulk import Bounds
from service.entries.quantity import load_units
from service.ledger.ledger import Ledger
from service.settings import Settings
from service.store.engine import Pace, Store

_BASE = "/v1/facilities/{facility}"


def now() -> datetime:
    """The present instant, UTC."""
    return datetime.now(UTC)


def _settle_memory() -> None:
    """What was made at the start stays; looking for garbage among it, and among what a writer remembers, costs most."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(50_000, 50, 100)


def create_app(settings: Settings, clock: Callable[[], datetime] = now) -> FastAPI:
    """The service over a database that ``migrate`` has brought up to date."""
    pace = Pace(settings.writers, settings.readers, settings.lock_seconds)
    ledger = Ledger(Store(settings.database_url, settings.read_database_url, pace), clock, settings.key_file)

    @asynccontextmanager
    async def running(_: FastAPI) -> AsyncIterator[None]:
        load_units()
        ledger.start()
        _settle_memory()
        try:
            yield
        finally:
            ledger.stop()

    app = FastAPIOffline(  # the page about the API takes nothing from elsewhere: plant rooms have no internet
        title="Witness Mark",
        version=version("witnessmark"),
        summary="The service-event ledger for medical-gas regulators.",
        lifespan=running,
        redoc_url=None,
        static_url="/docs/assets",
        redirect_slashes=False,
        generate_unique_id_function=document.operation_id,
    )
    app.state.ledger = ledger
    app.state.doorkeeper = Doorkeeper()
    app.state.most_body_bytes = settings.most_body_bytes
    app.state.bulk = Bounds()
    app.state.stopping = threading.Event()
    problems.install(app)
    document.install(app)
    hot = {("POST", "entries"): entries.post_entries_at_once, ("GET", "due"): due.get_due_at_once}
    front.install(app, _BASE.partition("{")[0], hot)
    if settings.read_database_url:
        replica.install(app)
    app.include_router(health.router)
    for part in (entries, assets, history, procedures, instruments, rebuilds, checks, due, log):
        app.include_router(part.router, prefix=_BASE)
    return app
