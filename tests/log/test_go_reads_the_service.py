"""A stranger's tool against the running service: the whole log over HTTP, and that it only grew, by the packages of Go's
own module log (golang.org/x/mod/sumdb). The program is in `tests/merkle/go_verifier/`; without Go this is skipped.
"""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

import httpx
import pytest

from service.access.tokens import new_token
from service.app import now
from service.entries.catalogue import SCOPES
from service.entries.facility import FacilityOpened
from service.ledger.append import open_facility
from service.ledger.keys import add_witness, enrol, rotate
from service.merkle.key import Signer, Witness
from service.merkle.note import read_note
from service.store.engine import Store
from service.store.migrate import migrate
from tests.api import scenario
from tests.merkle import go_program

ROOT = Path(__file__).parents[2]
ORIGIN = scenario.FACILITY["origin"]
WITNESS = Witness.from_seed("witness.example/north", bytes(range(32, 64)))


class Running(NamedTuple):
    """The service in a process of its own, and how to reach it."""

    http: httpx.Client
    store: Store
    key_file: Path
    key: str
    token: str

    def record(self, *entries: Any) -> int:
        """Post entries, new or not; the size of the log afterwards."""
        answer = self.http.post("entries", json=list(entries))
        assert answer.status_code in {200, 201}, answer.text
        return int(answer.json()["size"])

    def grow_to(self, size: int) -> None:
        """Notes, until the log has so many entries."""
        at = self.record(note(0))
        while at < size:
            at = self.record(*(note(at + number) for number in range(min(200, size - at))))


def note(number: int) -> dict[str, Any]:
    return scenario.entry("note.added", "12:30:00", text=f"note {number}", **scenario.HERE)


@pytest.fixture(scope="session")
def program(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return go_program.built(tmp_path_factory)


@pytest.fixture(scope="module")
def running(program: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    """`witnessmark serve`, over a facility with its key."""
    assert program
    folder = tmp_path_factory.mktemp("served")
    store, key_file = Store(f"sqlite:///{folder}/ledger.sqlite3"), folder / "witnessmark.key"
    migrate(store)
    code = open_facility_with_key(store, key_file)
    token = new_token(store, [code], SCOPES, now())
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    environment = {**os.environ, "WITNESSMARK_DATABASE_URL": store.url, "PYTHONPATH": str(ROOT)}
    command = [sys.executable, "-m", "service", "serve", "--port", str(port)]
    process = subprocess.Popen(command, cwd=folder, env=environment)
    address = f"http://127.0.0.1:{port}/v1/facilities/{code}/"
    try:
        with httpx.Client(base_url=address, headers={"Authorization": f"Bearer {token}"}, trust_env=False) as http:
            wait_for(http, process)
            yield Running(http, store, key_file, http.get("log/key").text.strip(), token)
    finally:
        process.terminate()
        process.wait(30)
        store.close()


def open_facility_with_key(store: Store, key_file: Path) -> str:
    opened = FacilityOpened.model_validate(scenario.FACILITY)
    open_facility(store, opened, now)
    enrol(store, key_file, opened.code, now())
    return opened.code


def wait_for(http: httpx.Client, process: subprocess.Popen[bytes]) -> None:
    """Until it answers: asked again and again, since a process cannot be waited for otherwise."""
    until = time.monotonic() + 60
    while process.poll() is None and time.monotonic() < until:
        try:
            http.get(http.base_url.join("/livez")).raise_for_status()
        except httpx.HTTPError:
            time.sleep(0.05)
        else:
            return
    raise RuntimeError("the service did not start")


def verified(program: Path, running: Running, *more: object, key: str | None = None) -> list[str]:
    """What the program prints; DiffersError with what it says where something differs."""
    url = str(running.http.base_url) + "log/"
    command = [program, "-url", url, "-token", running.token, "-key", key or running.key, *map(str, more)]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=60)
    if done.returncode:
        raise DiffersError(done.stderr)
    return done.stdout.splitlines()


class DiffersError(Exception):
    """The program found a difference, and says which."""


def test_the_whole_log_verifies_to_the_last_entry_and_so_does_its_growth(
    program: Path, running: Running, tmp_path: Path
) -> None:
    running.record(*scenario.registered())
    running.grow_to(300)
    seen = tmp_path / "checkpoint"
    printed = verified(program, running, "-save", seen, "-proof", 1, "-proof", 256, "-proof", 257)
    size = int(printed[0].split(": ")[1].split()[0])
    assert printed[0].startswith(f"checkpoint {ORIGIN}: {size} entries, root ")
    assert f"tile/entries/001.p/{size - 256}: {size - 256} entries" in printed
    assert "tile/entries/000: 256 entries" in printed
    assert any(line.startswith("proof of entry 257: ") for line in printed)
    running.grow_to(600)
    printed = verified(program, running, "-older", seen, "-save", seen)
    assert any(line.startswith(f"growth: {size} entries to ") for line in printed)
    assert "tile/0/001: 256 hashes" in printed


def test_a_cosignature_that_was_posted_verifies_with_the_witness_key(program: Path, running: Running) -> None:
    add_witness(running.store, scenario.FACILITY["code"], WITNESS.key.line, now())
    text = read_note(running.http.get("log/checkpoint").content).text
    at = int(now().timestamp())
    line = f"{WITNESS.cosign(text, at).line}\n"
    sent = running.http.post("log/cosignatures", content=line.encode(), headers={"Content-Type": "text/plain"})
    assert sent.status_code == 200, sent.text
    printed = verified(program, running, "-witness", WITNESS.key.line)
    assert f"cosigned by {WITNESS.name} at {at}" in printed


def test_a_strangers_key_of_the_same_name_verifies_nothing(program: Path, running: Running) -> None:
    stranger = Signer.from_seed(ORIGIN, bytes(32))
    with pytest.raises(DiffersError, match="no verifiable signatures"):
        verified(program, running, key=stranger.key.line)


def test_after_a_rotation_under_the_running_service_both_keys_together_verify_its_growth(
    program: Path, running: Running, tmp_path: Path
) -> None:
    seen = tmp_path / "checkpoint"
    verified(program, running, "-save", seen)
    rotate(running.store, running.key_file, now())
    new = running.http.get("log/key").text.strip()
    assert new != running.key
    with pytest.raises(DiffersError, match="no verifiable signatures"):
        verified(program, running)
    running.record(note(99_999))
    printed = verified(program, running, "-key", new, "-older", seen)
    assert any(line.startswith("growth: ") for line in printed)
