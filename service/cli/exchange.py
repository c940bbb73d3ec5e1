"""Commands about a ledger as a file: export it, verify it, replay it."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.progress import BarColumn, Progress, TaskID, TaskProgressColumn, TextColumn, TimeRemainingColumn

from service.cli.admin import made_store, open_store
from service.entries.refusals import Unknown
from service.ledger.export import Withheld
from service.ledger.export import export as export_ledger
from service.ledger.keys import SigningKey
from service.ledger.last_checkpoints import LastCheckpoints
from service.ledger.replay import replay as replay_facility
from service.ledger.restore import restore
from service.ledger.signed_logs import SignedLogs
from service.ledger.verify import Report, verify_file
from service.ledger.verify_database import verify_database
from service.merkle.key import NoteError, VerifierKey, parse_key
from service.settings import Settings
from service.store import entries, views

_out = Console(soft_wrap=True, highlight=False, markup=False)
File = Annotated[Path, typer.Argument(help="The file.")]
Keys = Annotated[list[str] | None, typer.Option("--key", help="Verifier key line; may be given several times.")]


def add_to(app: typer.Typer) -> None:
    """Hang these commands on the command line."""
    app.command()(export)
    app.command()(verify)
    app.command()(replay)


_DRAWN_EVERY = 0.1
"""Seconds."""


class _Bar:
    """A bar for each thing that is being done, drawn only when there is somebody to see it."""

    def __init__(self, bars: Progress) -> None:
        self._bars = bars
        self._tasks: dict[str, TaskID] = {}
        self._drawn = 0.0

    def __call__(self, what: str, done: int, whole: int) -> None:
        if what not in self._tasks:
            self._tasks[what] = self._bars.add_task(what)
        self._bars.update(self._tasks[what], completed=done, total=whole)
        if time.monotonic() - self._drawn > _DRAWN_EVERY:
            self._bars.refresh()
            self._drawn = time.monotonic()


@contextmanager
def _watched() -> Iterator[_Bar]:
    columns = (TextColumn("{task.description}"), BarColumn(), TaskProgressColumn(), TimeRemainingColumn())
    # Drawn by hand: a thread that draws would keep other processes from being started quickly.
    with Progress(*columns, console=Console(stderr=True), auto_refresh=False, disable=not sys.stderr.isatty()) as bars:
        yield _Bar(bars)


def export(
    file: File,
    facility: Annotated[str, typer.Option(help="Code of the facility.")],
    withhold: Annotated[list[str] | None, typer.Option(help="Leave out the contents of this entry type.")] = None,
    withhold_by: Annotated[list[str] | None, typer.Option(help="Leave out the contents that this person gave.")] = None,
) -> None:
    """Write a facility's whole ledger to a file: signed checkpoint, keys, entries. Anybody can verify it."""
    key_file = Settings().key_file
    signed = SignedLogs(SigningKey(key_file), LastCheckpoints(key_file))
    withheld = Withheld(frozenset(withhold or ()), frozenset(withhold_by or ()))
    with _watched() as bar:
        told = export_ledger(made_store(), signed, facility, file, withheld, partial(bar, "entries"))
    _out.print(f"{file} holds {told.checkpoint.size} entries of {facility}, root {told.checkpoint.root.hex()}.")


def verify(
    file: Annotated[Path | None, typer.Argument(help="An export or a proof.")] = None,
    key: Keys = None,
    *,
    database: Annotated[bool, typer.Option("--database", help="Verify the database instead of a file.")] = False,
    facility: Annotated[str | None, typer.Option(help="With --database: code of a facility; all if left out.")] = None,
    without_judgements: Annotated[
        bool, typer.Option("--without-judgements", help="Do not give the judgements again.")
    ] = False,
    log_only: Annotated[bool, typer.Option("--log-only", help="Signatures, leaf hashes and root only.")] = False,
    without_views: Annotated[
        bool, typer.Option("--without-views", help="With --database: do not make the views again.")
    ] = False,
) -> None:
    """Verify a file, with no server and no database; or the database. The exit code is 1 where it differs."""
    if (file is None) != database:
        raise typer.BadParameter("name a file, or --database")
    if file is not None:
        with _watched() as bar:
            report = verify_file(
                _there(file), _keys(key), progress=bar, judgements=not without_judgements, entries=not log_only
            )
        holds = _tell(str(file), report)
    else:
        each = [_database_holds(code, with_views=not without_views) for code in _codes(facility)]
        holds = all(each)
    if not holds:
        raise typer.Exit(1)


def _database_holds(code: str, *, with_views: bool) -> bool:
    with _watched() as bar:
        report = verify_database(made_store(), LastCheckpoints(Settings().key_file), code, bar, with_views=with_views)
    return _tell(code, report)


def _codes(facility: str | None) -> list[str]:
    with made_store().reading() as tx:
        return [facility] if facility else views.all_facilities(tx)


def _there(file: Path) -> Path:
    if not file.is_file():
        raise typer.BadParameter(f"there is no file {file}")
    return file


def _keys(lines: list[str] | None) -> list[VerifierKey]:
    try:
        return [parse_key(line.strip()) for line in lines or ()]
    except NoteError as refusal:
        raise typer.BadParameter(f"--key: {refusal}") from None


def _tell(name: str, report: Report) -> bool:
    for line in report.found:
        _out.print(f"  ok      {line}")
    for line in report.remarks:
        _out.print(f"  note    {line}")
    for wrong in report.wrong:
        _out.print(f"  WRONG   {wrong}")
    _out.print(f"{name}: {'it is as it was logged.' if report.holds else 'IT IS NOT as it was logged.'}")
    return report.holds


def replay(
    file: Annotated[Path | None, typer.Argument(help="An export to put back into a database without it.")] = None,
    key: Keys = None,
    facility: Annotated[str | None, typer.Option(help="Without a file: code of a facility; all if left out.")] = None,
) -> None:
    """Make the views again from the entries; with a file, put the ledger of an export into this database first."""
    store = made_store() if file is None else open_store()
    if file is not None:
        with _watched() as bar:
            told = restore(store, _there(file), _keys(key), partial(bar, "entries and views"))
        _out.print(f"{told.checkpoint.origin}: {told.checkpoint.size} entries, root {told.checkpoint.root.hex()}.")
        _out.print("Its key file goes beside the database; witnessmark key make lets it sign again.")
        return
    with store.reading() as tx:
        if facility and entries.read_head(tx, facility) is None:
            raise Unknown(f"no facility {facility!r} here", code="unknown_facility")
        codes = [facility] if facility else views.all_facilities(tx)
    with _watched() as bar:
        for code in codes:
            size = replay_facility(store, code, partial(bar, code))
            _out.print(f"{code}: views made again from {size} entries.")
