"""Commands that run the service, and write down its contract."""

from __future__ import annotations

import json
import socket
from pathlib import Path
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
    port: Annotated[int, typer.Option(min=0, max=65_535, help="Port to listen on; 0 takes a free one.")] = 8000,
) -> None:
    """Run the service, the database brought up to date first."""
    _be_free(host, port)
    settings = Settings()
    tell(settings.log_level)
    store = Store(settings.database_url)
    migrate(store)
    store.close()
    uvicorn.run(create_app(settings), host=host, port=port, access_log=False, log_level=settings.log_level.lower())


def _be_free(host: str, port: int) -> None:
    """Better one line now than a log of what could not be started. Raises BadParameter."""
    try:
        family, kind, protocol, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
        with socket.socket(family, kind, protocol) as trial:
            trial.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            trial.bind(address)
    except OSError as why:
        raise typer.BadParameter(f"port {port} of {host} cannot be had: {why.strerror}") from None


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
