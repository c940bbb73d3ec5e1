"""The log at a terminal: keys, export, verify, replay, a backup accepted; as an operator types them."""

from __future__ import annotations

import os
import stat
import subprocess
import sys
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from sqlalchemy import Connection

from service.app import now
from service.cli import main
from service.ledger import log
from service.ledger.append import append
from service.ledger.memory import Memory
from service.merkle.key import Witness, parse_key
from service.store import entries
from service.store.engine import Store
from tests.ledger.bench import submission
from tests.ledger.scenario import entry
from tests.log.losing import change, lose_last

ROOT = Path(__file__).parents[2]
CODE, ORIGIN = "tidewater", "tidewater.example/log"
ADD = ("facility", "add", CODE, "--name", "Tidewater Point", "--time-zone", "Pacific/Auckland", "--origin", ORIGIN)
WITNESS = Witness.from_seed("witness.example/north", bytes(range(32, 64)))


class Said(NamedTuple):
    code: int
    out: str
    err: str


class Machine:
    """A folder with a database and a key file, and a terminal in front of it."""

    def __init__(self, folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
        self.folder, self._monkeypatch, self._capsys = folder, monkeypatch, capsys
        folder.mkdir(exist_ok=True)
        self.url = f"sqlite:///{folder / 'ledger.sqlite3'}"
        self.key_file = folder / "witnessmark.key"
        self.said_first = ""

    def type(self, *words: str | Path) -> Said:
        """Run a command as the shell would."""
        self._monkeypatch.setattr(sys, "argv", ["witnessmark", *map(str, words)])
        self._monkeypatch.setenv("WITNESSMARK_DATABASE_URL", self.url)
        self._monkeypatch.setenv("COLUMNS", "200")
        code: object = 0
        try:
            main()
        except SystemExit as ended:
            code = ended.code
        said = self._capsys.readouterr()
        assert "Traceback" not in said.out + said.err
        return Said(int(str(code or 0)), said.out, said.err)

    def done(self, *words: str | Path) -> str:
        """Run a command that must succeed; what it prints."""
        said = self.type(*words)
        assert said.code == 0, said
        return said.out

    def ask(self, question: Any) -> Any:
        """Ask the database."""
        store = Store(self.url)
        try:
            with store.reading() as tx:
                return question(tx)
        finally:
            store.close()


def ledger_end(tx: Connection) -> tuple[int, bytes, int]:
    """Size, root and last ``recorded_us``: the ledger's own, where the turn tells what became of one database."""
    head = entries.read_head(tx, CODE)
    assert head is not None
    return head.size, bytes(head.root), head.recorded_us


@pytest.fixture
def machine(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Machine:
    """With one facility added by the command."""
    machine = Machine(tmp_path / "here", monkeypatch, capsys)
    machine.said_first = machine.done(*ADD)
    return machine


@pytest.fixture
def stranger(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Machine:
    """With nothing at all."""
    return Machine(tmp_path / "stranger", monkeypatch, capsys)


def test_adding_the_first_facility_makes_the_key_and_prints_the_line_to_verify_with(machine: Machine) -> None:
    assert stat.S_IMODE(machine.key_file.stat().st_mode) == 0o600
    line = machine.ask(lambda tx: log.key_line(tx, CODE)).strip()
    assert f"Verify it with {line}" in machine.said_first
    assert parse_key(line).name == ORIGIN
    assert machine.done("key", "show").split() == [CODE, "0", line]


def test_a_service_refuses_to_start_with_a_key_that_is_not_the_logs_and_says_so_in_a_line(machine: Machine) -> None:
    machine.key_file.chmod(0o644)
    said = machine.type("serve", "--port", "0")
    assert said.code != 0
    assert "is open to others: make it its owner's alone (chmod 600)" in said.err
    machine.key_file.unlink()
    assert "is missing: put it back" in machine.type("serve", "--port", "0").err
    assert "is missing: put it back" in machine.type(*(word.replace(CODE, "elsewhere") for word in ADD)).err
    assert not machine.ask(lambda tx: entries.read_head(tx, "elsewhere")), "nothing half-done"


def test_rotating_the_key_and_adding_a_witness(machine: Machine) -> None:
    old = machine.ask(lambda tx: log.key_line(tx, CODE)).strip()
    said = machine.done("key", "rotate")
    new = machine.ask(lambda tx: log.key_line(tx, CODE)).strip()
    assert f"{CODE} {new}" in said
    assert "The old key is kept in" in said
    assert [line.split()[2:] for line in machine.done("key", "show").splitlines()] == [[old, "retired"], [new]]
    said = machine.done("witness", "add", "--facility", CODE, "--key", WITNESS.key.line)
    assert f"Cosignatures of witness.example/north ({WITNESS.key.key_id.hex()}) are taken for tidewater." in said
    assert machine.type("witness", "add", "--facility", CODE, "--key", old).code == 1


def test_a_ledger_is_exported_verified_elsewhere_and_replayed_into_an_empty_database(
    machine: Machine, stranger: Machine, tmp_path: Path
) -> None:
    line = machine.ask(lambda tx: log.key_line(tx, CODE)).strip()
    file = tmp_path / "ledger.export"
    assert f"holds 1 entries of {CODE}, root " in machine.done("export", "--facility", CODE, file)
    said = stranger.done("verify", file, "--key", line)
    assert "it is as it was logged." in said
    assert not list(stranger.folder.iterdir()), "verifying needs no database and makes none"
    assert f"{ORIGIN}: 1 entries, root " in stranger.done("replay", file, "--key", line)
    assert stranger.ask(ledger_end) == machine.ask(ledger_end)
    assert stranger.done("key", "make").startswith(f"{CODE} {ORIGIN}+"), (
        "with a key of its own, until it gets the old one"
    )
    assert f"there is a facility '{CODE}'" in machine.type("replay", file).err


def test_a_stranger_verifies_in_a_process_that_knows_no_database(machine: Machine, tmp_path: Path) -> None:
    file = tmp_path / "ledger.export"
    machine.done("export", "--facility", CODE, file)
    done = subprocess.run(
        [sys.executable, "-m", "service", "verify", str(file)],
        env={**os.environ, "WITNESSMARK_DATABASE_URL": "no database at all", "PYTHONPATH": str(ROOT)},
        cwd=tmp_path, capture_output=True, text=True, check=False, timeout=120,
    )  # fmt: skip
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.endswith(f"{file}: it is as it was logged.\n")


def test_a_changed_file_is_told_where_and_ends_with_code_1(machine: Machine, tmp_path: Path) -> None:
    file = tmp_path / "ledger.export"
    machine.done("export", "--facility", CODE, file)
    file.write_bytes(file.read_bytes().replace(b"Tidewater Point", b"Tidewater Paint"))
    said = machine.type("verify", file)
    assert said.code == 1
    assert 'seq 1, /data/name: "Tidewater Point" was logged, "Tidewater Paint" stands here' in said.out
    assert "IT IS NOT as it was logged." in said.out
    assert machine.type("verify", file, "--log-only").code == 1


def test_withheld_contents_verify(machine: Machine, tmp_path: Path) -> None:
    file = tmp_path / "ledger.export"
    machine.done("export", "--facility", CODE, file, "--withhold", "facility.opened")
    assert b"Tidewater Point" not in file.read_bytes()
    assert "the contents of 1 entries are withheld; their leaf hashes hold" in machine.done("verify", file)


def test_a_file_or_the_database_is_verified_and_not_both_or_neither(machine: Machine, tmp_path: Path) -> None:
    assert machine.type("verify").code == 2
    assert machine.type("verify", tmp_path, "--database").code == 2
    assert "there is no file" in machine.type("verify", tmp_path / "nowhere").err
    assert "--key" in machine.type("verify", machine.key_file, "--key", "no key").err


def test_the_database_is_verified_and_an_edited_row_is_found(machine: Machine) -> None:
    assert "it is as it was logged." in machine.done("verify", "--database")
    change(machine.url, "UPDATE entries SET body = replace(body, 'Point', 'Paint')")
    said = machine.type("verify", "--database", "--facility", CODE)
    assert said.code == 1
    assert 'seq 1, /data/name: "Tidewater Point" was logged' in said.out


def test_a_backup_that_was_put_back_is_accepted_with_a_reason(machine: Machine, tmp_path: Path) -> None:
    accept = ("facility", "accept-restore", CODE, "--reason", "Disk failed; Monday's backup")
    assert "holds all that its log has signed" in machine.type(*accept).err
    store = Store(machine.url)
    amended = submission(entry("facility.amended", "09:58", {"name": "Tidewater Hospital"}))
    append(store, Memory(CODE), [amended], now)
    store.close()
    machine.done("export", "--facility", CODE, tmp_path / "before")
    lose_last(machine.url, CODE, 1)
    said = machine.type("export", "--facility", CODE, tmp_path / "after")
    assert said.code == 1
    assert "the log has signed 2 entries and the database holds 1" in said.err
    assert not (tmp_path / "after").exists()
    assert f"Entry 2 of {CODE} says what happened; entries are taken again." in machine.done(*accept)
    machine.done("export", "--facility", CODE, tmp_path / "after")
    assert b"Disk failed; Monday's backup" in (tmp_path / "after").read_bytes()
