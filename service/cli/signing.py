"""Commands about the key that signs the logs, the witnesses that cosign them, and a backup that was put back."""

from __future__ import annotations

from typing import Annotated

import typer
from rich.console import Console

from service.app import now
from service.cli.admin import facility, made_store
from service.ledger import accept_restore as accepting
from service.ledger import keys
from service.ledger.last_checkpoints import LastCheckpoints
from service.settings import Settings
from service.store import log, views

key = typer.Typer(no_args_is_help=True, help="The key that signs the logs.")
witness = typer.Typer(no_args_is_help=True, help="Witnesses that cosign the logs.")
_out = Console(soft_wrap=True, highlight=False)
Facility = Annotated[str, typer.Option(help="Code of a facility.")]


def add_to(app: typer.Typer) -> None:
    """Hang these commands on the command line."""
    app.add_typer(key, name="key")
    app.add_typer(witness, name="witness")


@key.command("make")
def key_make() -> None:
    """Let the key file sign the logs that have no key; it is made if it is the first."""
    store, path = made_store(), Settings().key_file
    with store.reading() as tx:
        codes = [code for code in log.keyless(tx) if views.facility(tx, code) is not None]
    for code in codes:
        typer.echo(f"{code} {keys.enrol(store, path, code, now()).line}")
    _out.print(f"The key file is {path}. Keep a copy of it where nobody else can read it.")


@key.command("show")
def key_show(facility: Annotated[str | None, typer.Option(help="Code of a facility; all if left out.")] = None) -> None:
    """Print the verifier keys: facility, from which size on, key line, and whether it is retired."""
    store = made_store()
    with store.reading() as tx:
        codes = [facility] if facility else list(log.current_keys(tx))
        for code in codes:
            for row in keys.keys_of(tx, code):
                retired = " retired" if row.retired_us is not None else ""
                typer.echo(f"{code} {row.since_size} {row.verifier}{retired}")


@key.command("rotate")
def key_rotate() -> None:
    """Sign with a new key from now on. The old verifier keys stay listed; the old file is kept."""
    store = made_store()
    old = keys.rotate(store, Settings().key_file, now())
    with store.reading() as tx:
        for code, line in log.current_keys(tx).items():
            typer.echo(f"{code} {line}")
    _out.print(f"The old key is kept in {old}. Tell everyone who verifies these logs the new lines.")


@witness.command("add")
def witness_add(
    facility: Facility,
    verifier: Annotated[str, typer.Option("--key", help="The witness's verifier key line.")],
) -> None:
    """Take cosignatures of a witness."""
    added = keys.add_witness(made_store(), facility, verifier, now())
    _out.print(f"Cosignatures of {added.name} ({added.key_id.hex()}) are taken for {facility}.", markup=False)


@facility.command("accept-restore")
def accept_restore(
    code: Annotated[str, typer.Argument(help="Code of the facility.")],
    reason: Annotated[str, typer.Option(help="What happened: it goes into the ledger.")],
) -> None:
    """Accept that a backup was put back: said in the ledger, after which entries are taken again."""
    last = LastCheckpoints(Settings().key_file)
    seq = accepting.accept_restore(made_store(), last, code, reason, now())
    _out.print(f"Entry {seq} of {code} says what happened; entries are taken again.", markup=False)
