"""Commands of the operator: migrate, facility, token, checks."""

from __future__ import annotations

from typing import Annotated, cast

import typer
from pydantic import ValidationError
from rich.console import Console

from service.access.tokens import new_token
from service.app import now
from service.checks.catalogue import table
from service.entries.catalogue import SCOPES, Scope
from service.entries.envelope import faults_of
from service.entries.facility import FacilityOpened
from service.entries.refusals import Unknown
from service.ledger import keys
from service.ledger.append import open_facility
from service.settings import Settings
from service.store.engine import Store
from service.store.migrate import is_made
from service.store.migrate import migrate as migrate_store

facility = typer.Typer(no_args_is_help=True, help="Facilities.")
token = typer.Typer(no_args_is_help=True, help="Bearer tokens.")
_out = Console()


def add_to(app: typer.Typer) -> None:
    """Hang these commands on the command line."""
    app.command()(migrate)
    app.command()(checks)
    app.add_typer(facility, name="facility")
    app.add_typer(token, name="token")


def open_store() -> Store:
    """The database, brought up to date."""
    store = Store(Settings().database_url)
    migrate_store(store)
    return store


def made_store() -> Store:
    """The database that is there, brought up to date. Raises Unknown: reading makes none."""
    store = Store(Settings().database_url)
    if not is_made(store):
        where = store.shown
        raise Unknown(f"no ledger at {where}; witnessmark facility add makes one", code="no_ledger")
    migrate_store(store)
    return store


def migrate() -> None:
    """Bring the database up to date."""
    open_store().close()
    _out.print("The database is up to date.")


@facility.command("add")
def facility_add(
    code: Annotated[str, typer.Argument(help="Short code, part of every address: lower case, digits, hyphens.")],
    name: Annotated[str, typer.Option(help="The facility's name.")],
    time_zone: Annotated[str, typer.Option(help="IANA time zone, such as Atlantic/Faroe.")],
    origin: Annotated[str, typer.Option(help="Name of its log for ever: a URL without scheme that the facility owns.")],
) -> None:
    """Open a facility's ledger: its first entry."""
    try:
        opened = FacilityOpened(code=code, name=name, time_zone=time_zone, origin=origin)
    except ValidationError as error:
        fault = faults_of(error)[0]
        raise typer.BadParameter(f"{fault.pointer.lstrip('/')}: {fault.detail}") from None
    store, path = open_store(), Settings().key_file
    keys.prepare(store, path)
    receipt = open_facility(store, opened, now)
    key = keys.enrol(store, path, code, now())
    _out.print(f"Facility {code} is open. Its log begins with the root {receipt.root.hex()}.")
    _out.print(f"Verify it with {key.line}", soft_wrap=True, markup=False, highlight=False)


@token.command("new")
def token_new(
    facility: Annotated[list[str], typer.Option(help="Code of a facility; may be given several times.")],
    scope: Annotated[list[str], typer.Option(help=f"One of {', '.join(SCOPES)}; may be given several times.")],
) -> None:
    """Make a token and print it: it is shown only this once."""
    typer.echo(new_token(made_store(), facility, [cast("Scope", each) for each in scope], now()))


def checks() -> None:
    """Print the catalogue of checks as the README's table."""
    typer.echo(table())
