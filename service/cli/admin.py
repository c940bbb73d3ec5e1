"""Commands of the operator: migrate, facility, token, replay."""

from __future__ import annotations

from functools import partial
from typing import Annotated, cast

import typer
from pydantic import ValidationError
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TaskID, TextColumn, TimeRemainingColumn

from service.access.tokens import new_token
from service.app import now
from service.entries.catalogue import SCOPES, Scope
from service.entries.envelope import faults_of
from service.entries.facility import FacilityOpened
from service.entries.refusals import Unknown
from service.ledger.append import open_facility
from service.ledger.replay import replay as replay_facility
from service.settings import Settings
from service.store import views
from service.store.engine import Store
from service.store.migrate import is_made
from service.store.migrate import migrate as migrate_store

facility = typer.Typer(no_args_is_help=True, help="Facilities.")
token = typer.Typer(no_args_is_help=True, help="Bearer tokens.")
_out = Console()


def add_to(app: typer.Typer) -> None:
    """Hang these commands on the command line."""
    app.command()(migrate)
    app.command()(replay)
    app.add_typer(facility, name="facility")
    app.add_typer(token, name="token")


def _store() -> Store:
    store = Store(Settings().database_url)
    migrate_store(store)
    return store


def _ledger() -> Store:
    """The database that is there, brought up to date. Raises Unknown: reading makes none."""
    store = Store(Settings().database_url)
    if not is_made(store):
        where = store.shown
        raise Unknown(f"no ledger at {where}; witnessmark facility add makes one", code="no_ledger")
    migrate_store(store)
    return store


def migrate() -> None:
    """Bring the database up to date."""
    _store().close()
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
    receipt = open_facility(_store(), opened, now)
    _out.print(f"Facility {code} is open. Its log begins with the root {receipt.root.hex()}.")


@token.command("new")
def token_new(
    facility: Annotated[list[str], typer.Option(help="Code of a facility; may be given several times.")],
    scope: Annotated[list[str], typer.Option(help=f"One of {', '.join(SCOPES)}; may be given several times.")],
) -> None:
    """Make a token and print it: it is shown only this once."""
    typer.echo(new_token(_ledger(), facility, [cast("Scope", each) for each in scope], now()))


def replay(
    facility: Annotated[str | None, typer.Option(help="Code of a facility; all if left out.")] = None,
) -> None:
    """Throw the views away and make them again from the entries."""
    store = _ledger()
    with store.reading() as tx:
        codes = [code for code in views.all_facilities(tx) if facility in {None, code}]
    if facility and not codes:
        raise Unknown(f"no facility {facility!r} here", code="unknown_facility")
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=_out) as bars:
        for code in codes:
            size = replay_facility(store, code, partial(_advance, bars, bars.add_task(code)))
            bars.console.print(f"{code}: views made again from {size} entries.")


def _advance(bars: Progress, bar: TaskID, done: int, whole: int) -> None:
    bars.update(bar, completed=done, total=whole)
