"""Commands that run the service, and write down its contract."""

from __future__ import annotations

import json
import threading
from contextlib import suppress
from pathlib import Path
from types import FrameType
from typing import Annotated

import typer
import uvicorn

from service.app import create_app
from service.cli.logs import tell
from service.settings import Settings
from service.store.engine import Store
from service.store.migrate import migrate


def add_to(app: typer.Typer) -> None:
    """Hang these commands on the command line."""
    app.command()(serve)
    app.command()(openapi)


def serve(
    host: Annotated[str, typer.Option(help="Address to listen on.")] = "127.0.0.1",
    port: Annotated[int, typer.Option(help="Port to listen on.")] = 8000,
) -> None:
    """Run the service, the database brought up to date first."""
    settings = Settings()
    tell(settings.log_level)
    store = Store(settings.database_url)
    migrate(store)
    store.close()
    app = create_app(settings)
    config = uvicorn.Config(app, host=host, port=port, access_log=False, log_level=settings.log_level.lower())
    server = _Server(config, app.state.stopping)
    with suppress(KeyboardInterrupt):  # it has stopped in good order by then
        server.run()
    if not server.started:
        raise typer.Exit(3)


class _Server(uvicorn.Server):
    """Says when it is told to stop: it waits for what is under way, and an import may go on for hours."""

    def __init__(self, config: uvicorn.Config, stopping: threading.Event) -> None:
        super().__init__(config)
        self._stopping = stopping

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        """What a signal does."""
        self._stopping.set()
        super().handle_exit(sig, frame)


def openapi(
    to: Annotated[Path, typer.Option(help="File to write.")] = Path("openapi/openapi.json"),
) -> None:
    """Write the OpenAPI document."""
    to.parent.mkdir(parents=True, exist_ok=True)
    to.write_text(contract(), encoding="utf-8")
    typer.echo(f"{to} is written.")


def contract() -> str:
    """The OpenAPI document as it is checked in."""
    app = create_app(Settings(database_url="sqlite://"))
    return json.dumps(app.openapi(), indent=1, ensure_ascii=False, sort_keys=True) + "\n"
