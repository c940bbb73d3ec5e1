"""The command line: serve · demo · post · replay · token · facility · openapi · migrate."""

from __future__ import annotations

import sys

import typer
from rich.console import Console

from service.cli import admin, demo, run
from service.entries.refusals import Refusal

app = typer.Typer(
    name="witnessmark",
    help="The service-event ledger for medical-gas regulators.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)
for commands in (admin, run, demo):
    commands.add_to(app)


def main() -> None:
    """Entry point: a refusal is told in a line, not in a traceback."""
    try:
        app()
    except Refusal as refusal:
        Console(stderr=True).print(f"[bold]{refusal.title}[/]: {refusal.detail}")
        sys.exit(1)
