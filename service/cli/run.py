"""Commands that run the service, and write down its contract."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer
import uvicorn

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
    port: Annotated[int, typer.Option(help="Port to listen on.")] = 8000,
) -> None:
    """Run the service, the database brought up to date first."""
    settings = Settings()
    tell(settings.log_level)
    store = Store(settings.database_url)
    migrate(store)
    with store.reading() as tx:
        SigningKey(settings.key_file).check(tx)  # told in a line here; the service would refuse to start all the same
    store.close()
    uvicorn.run(create_app(settings), host=host, port=port, access_log=False, log_level=settings.log_level.lower())


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
