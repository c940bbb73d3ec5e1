"""Commands that run the service, and write down its contract."""

from __future__ import annotations

import json
import signal
import socket
import sys
import threading
from contextlib import closing
from pathlib import Path
from types import FrameType
from typing import Annotated, NoReturn

import typer
import uvicorn
from fastapi import FastAPI

from service.app import create_app
from service.cli.logs import tell
from service.ledger.keys import SigningKey
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
    processes: Annotated[int, typer.Option(min=1, help="How many processes share the port, on PostgreSQL.")] = 1,
) -> None:
    """Run the service, the database brought up to date first. It ends when told to, what it has taken recorded."""
    _be_free(host, port)
    settings = Settings()
    with closing(Store(settings.database_url)) as store:
        if store.is_sqlite and processes > 1:
            raise typer.BadParameter("an SQLite file takes one serving process; PostgreSQL takes several")
        migrate(store)
        store.claim()  # told in a line here, as is what is wrong with the key; the service asks both again
        with store.reading() as tx:
            SigningKey(settings.key_file).check(tx)
    signal.signal(signal.SIGTERM, _ended)
    uvicorn.run(
        "service.cli.run:process",
        factory=True,
        host=host,
        port=port,
        workers=processes,
        access_log=False,
        log_level=settings.log_level,
        timeout_graceful_shutdown=_PATIENCE,
    )


_PATIENCE = 30
"""How long a stop waits for those who are still being answered, seconds."""


def process() -> FastAPI:
    """The service as each of its processes makes it."""
    settings = Settings()
    tell(settings.log_level)
    app = create_app(settings)
    for number in (signal.SIGINT, signal.SIGTERM):
        _told_too(number, app.state.stopping)
    return app


def _told_too(number: int, stopping: threading.Event) -> None:
    """The server waits for what is under way, and an import may go on for hours: it hears of the stop as well."""
    server = signal.getsignal(number)

    def told(received: int, frame: FrameType | None) -> None:
        stopping.set()
        if callable(server):
            server(received, frame)

    signal.signal(number, told)


def _ended(_signal: int, _frame: object) -> NoReturn:
    """The server gives the signal back once it has ended in order: that is success."""
    sys.exit(0)


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
