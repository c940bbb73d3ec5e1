"""The demo: a real service on loopback over a temporary ledger, field records posted to it, and what it answers."""

from __future__ import annotations

import json
import signal
import socket
import tempfile
import threading
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Annotated, Any, NamedTuple, NoReturn

import httpx
import typer
import uvicorn
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

import service
from service.access.tokens import new_token
from service.app import create_app, now
from service.cli import telling
from service.cli.logs import tell
from service.entries.catalogue import SCOPES, Scope
from service.entries.facility import FacilityOpened
from service.field.client import FieldClient, Receipt
from service.ledger.append import open_facility
from service.ledger.keys import enrol
from service.settings import Settings
from service.store.engine import Store
from service.store.migrate import migrate

_PATIENCE = 15.0
"""Seconds for the service to be ready."""
_PEOPLE: Mapping[str, Sequence[Scope]] = {
    "engineer": SCOPES,
    "technician": ("read", "record"),
    "supervisor": ("read", "countersign"),
    "visitor": ("read",),
}
"""Who holds a token in the demo, and for what."""
_CAUTION = (
    "A conforming verdict is arithmetic on what was recorded. It is not permission to return a system to service: "
    "local codes, the maker's instructions and licensed practice come first."
)


class Scenario(NamedTuple):
    """What the demo plays: a facility, bodies to post in order, and the day on which its due list is shown."""

    facility: FacilityOpened
    as_of: str
    posts: Sequence[Mapping[str, str]]
    bodies: Sequence[Mapping[str, Any]]

    @classmethod
    def read(cls, folder: Path) -> Scenario:
        """From a folder with a ``demo.json``. Raises BadParameter where there is none that can be played."""
        try:
            about = json.loads((folder / "demo.json").read_text(encoding="utf-8"))
            bodies = [json.loads((folder / post["file"]).read_text(encoding="utf-8")) for post in about["posts"]]
            return cls(FacilityOpened.model_validate(about["facility"]), about["as_of"], about["posts"], bodies)
        except OSError as why:
            raise typer.BadParameter(f"no scenario in {folder}: {why.filename} cannot be read") from None
        except (ValueError, KeyError, TypeError) as why:
            raise typer.BadParameter(f"the scenario in {folder} cannot be played: {why}") from None


def add_to(app: typer.Typer) -> None:
    """Hang these commands on the command line."""
    app.command()(demo)


def demo(
    *,
    once: Annotated[bool, typer.Option("--once", help="End after printing.")] = False,
    data: Annotated[Path | None, typer.Option(help="Folder with demo.json and the files it names.")] = None,
    port: Annotated[int, typer.Option(min=0, max=65_535, help="Port to listen on; 0 takes a free one.")] = 0,
) -> None:
    """Play the main job on a temporary ledger: post field records, print what was judged and what is due, serve on."""
    started, out = time.monotonic(), Console(highlight=False, soft_wrap=True)
    scenario = Scenario.read(data or Path(service.__file__).parent.parent / "demo_data")
    signal.signal(signal.SIGTERM, _interrupt)
    with tempfile.TemporaryDirectory(prefix="witnessmark-demo-", ignore_cleanup_errors=True) as folder:
        url = f"sqlite:///{Path(folder) / 'demo.sqlite3'}"
        tokens = prepared(url, scenario.facility)
        with serving(url, port) as address, httpx.Client(trust_env=False, timeout=30) as http:
            people = {
                who: FieldClient(address, scenario.facility.code, token, http=http) for who, token in tokens.items()
            }
            _tell(out, scenario, people, started)
            _invite(out, scenario, address, tokens)
            if not once:
                out.print("Serving until interrupted (Ctrl-C); the ledger is temporary and goes with it.")
                with suppress(KeyboardInterrupt):
                    threading.Event().wait()
    out.print("The demo has ended; its ledger is gone.")


def prepared(database_url: str, facility: FacilityOpened) -> dict[str, str]:
    """A new ledger for the facility, and a token for each of the people."""
    store = Store(database_url)
    try:
        migrate(store)
        open_facility(store, facility, now)
        enrol(store, _settings(database_url).key_file, facility.code, now())
        return {who: new_token(store, [facility.code], scopes, now()) for who, scopes in _PEOPLE.items()}
    finally:
        store.close()


def _settings(database_url: str) -> Settings:
    """The key is kept beside the ledger and goes with it, whatever key the environment names."""
    return Settings(database_url=database_url, signing_key_file=None)


@contextmanager
def serving(database_url: str, port: int = 0) -> Iterator[str]:
    """The service on loopback in a thread of its own; gives its address once it is ready."""
    listening = _listen(port)
    tell("warning")
    app = create_app(_settings(database_url))
    server = uvicorn.Server(uvicorn.Config(app, log_level="error", access_log=False, timeout_graceful_shutdown=3))
    thread = threading.Thread(target=server.run, args=([listening],), name="service", daemon=True)
    address = f"http://127.0.0.1:{listening.getsockname()[1]}"
    thread.start()
    try:
        _await(address, thread)
        yield address
    finally:
        server.should_exit = True
        thread.join()


def post_all(scenario: Scenario, people: Mapping[str, FieldClient], out: Console) -> tuple[list[str], Receipt]:
    """Post every body as the person it is from, saying what came of it; gives the rebuilds and the last receipt."""
    rebuilds, receipt = dict[str, None](), Receipt()
    columns = (TextColumn("posting"), BarColumn(40), MofNCompleteColumn())
    with Progress(*columns, console=out, transient=True, disable=not out.is_terminal) as bars:
        bar = bars.add_task("", total=sum(len(body["entries"]) for body in scenario.bodies))
        for post, body in zip(scenario.posts, scenario.bodies, strict=True):
            person = people[post["sent_by"]]
            receipt = person.post(body["entries"], defaults=body.get("defaults"))
            bars.advance(bar, len(body["entries"]))
            _say(out, *_posted(post, len(body["entries"]), [person.rebuild(one["id"]) for one in receipt.rebuilds]))
            rebuilds |= dict.fromkeys(one["id"] for one in receipt.rebuilds)
    return list(rebuilds), receipt


def _posted(post: Mapping[str, str], count: int, rebuilds: Sequence[telling.Shown]) -> Iterator[str]:
    """One post, how the rebuilds stand after it, and the answer of the check that is to be looked at."""
    yield f"{count:4} {'entry' if count == 1 else 'entries'}: {post['what']}"
    for rebuild in rebuilds:
        yield from telling.paragraph(telling.briefly(rebuild), "      then ", 8)
        for finding in rebuild["findings"]:
            if finding["check"] == post.get("look_at"):
                yield from telling.trouble_told(finding, indent=8)


def _tell(out: Console, scenario: Scenario, people: Mapping[str, FieldClient], started: float) -> None:
    reader, sent = people["visitor"], sum(len(body["entries"]) for body in scenario.bodies)
    _say(out, f"{scenario.facility.name}, an invented hospital: its field records, posted over HTTP", "")
    ids, receipt = post_all(scenario, people, out)
    rebuilds = telling.in_order(reader.rebuild(each) for each in ids)
    seconds = time.monotonic() - started
    _say(out, "", f"{sent} entries posted and {len(rebuilds)} rebuilds judged in {seconds:.1f} s.")
    _say(out, f"With the judgements the ledger holds {receipt.size} entries; its root hash is", f"  {receipt.root}", "")
    for headline, *lines in map(telling.rebuild_told, rebuilds):
        out.print(headline, style="bold", markup=False)
        _say(out, *lines)
    _say(out, "Where each check comes from:", *telling.sources_told(rebuilds), "")
    _say(out, f"Due list as of {scenario.as_of}, the day on which this scenario stands:")
    _say(out, *telling.due_told(list(reader.due(as_of=scenario.as_of))), "")
    _say(out, "In short:")
    for rebuild in rebuilds:
        _say(out, *telling.paragraph(f"{telling.title(rebuild)}: {telling.briefly(rebuild)}", "  ", 4))


def _invite(out: Console, scenario: Scenario, address: str, tokens: Mapping[str, str]) -> None:
    due = f"$URL/v1/facilities/{scenario.facility.code}/due?as_of={scenario.as_of}"
    _say(out, "", "To read about the API:", f"  {address}/docs", "To try it, in another terminal:")
    _say(out, f"  export URL={address}", f"  export TOKEN={tokens['visitor']}  # reads")
    _say(out, '  curl -sS -H "Authorization: Bearer $TOKEN" \\', f'    "{due}"', "To record as well:")
    _say(out, f"  export TOKEN={tokens['technician']}", "", *telling.paragraph(_CAUTION), "")


def _say(out: Console, *lines: str) -> None:
    for line in lines:
        out.print(line, markup=False)


def _listen(port: int) -> socket.socket:
    listening = socket.socket()
    try:
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind(("127.0.0.1", port))
    except (OSError, OverflowError) as why:
        listening.close()
        raise typer.BadParameter(f"port {port} cannot be had: {why}") from None
    return listening


def _await(address: str, thread: threading.Thread) -> None:
    """Until it says it is ready."""
    with httpx.Client(trust_env=False, timeout=5) as http:
        until = time.monotonic() + _PATIENCE
        while thread.is_alive() and time.monotonic() < until:
            with suppress(httpx.TransportError):
                if http.get(f"{address}/readyz").is_success:
                    return
            time.sleep(0.02)
    raise RuntimeError("the service did not become ready")


def _interrupt(_signal: int, _frame: object) -> NoReturn:
    """A request to terminate is an interruption: the temporary folder is cleared either way."""
    raise KeyboardInterrupt
