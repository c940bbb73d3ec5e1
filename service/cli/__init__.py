"""The command line: serve · demo · export · verify · replay · checks · token · facility · key · witness · openapi …"""

from __future__ import annotations

import sys
from typing import NoReturn

import typer
from pydantic import ValidationError
from rich.console import Console
from rich.markup import escape
from sqlalchemy.exc import DBAPIError, SQLAlchemyError

from service.cli import admin, demo, exchange, run, signing
from service.entries.refusals import Refusal
from service.store.alone import InUse

app = typer.Typer(
    name="witnessmark",
    help="The service-event ledger for medical-gas regulators.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)
for commands in (admin, signing, exchange, run, demo):
    commands.add_to(app)


def main() -> None:
    """Entry point: what cannot be done is told in a line, not in a traceback."""
    try:
        app()
    except Refusal as refusal:
        _end(refusal.title, refusal.detail)
    except InUse as why:
        _end("The database is in use", str(why))
    except SQLAlchemyError as trouble:
        cause = trouble.orig if isinstance(trouble, DBAPIError) else trouble
        _end("The database cannot be used", str(cause))
    except ValidationError as error:
        if error.title != "Settings":
            raise
        for wrong in error.errors():
            _end(f"WITNESSMARK_{str(wrong['loc'][0]).upper()} cannot be used", wrong["msg"])


def _end(title: str, detail: str) -> NoReturn:
    line = detail.strip().splitlines()[0] if detail.strip() else "it does not say why"
    Console(stderr=True, soft_wrap=True).print(f"[bold]{escape(title)}[/]: {escape(line)}")
    sys.exit(1)
