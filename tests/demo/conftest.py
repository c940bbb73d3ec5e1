"""The demo's scenario posted to a real service on loopback, and what the demo prints."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import httpx
import pytest
from rich.console import Console

from service.cli.demo import Scenario, post_all, prepared, serving
from service.field.client import FieldClient

ROOT = Path(__file__).parents[2]


class Played(NamedTuple):
    url: str
    people: dict[str, FieldClient]
    tokens: dict[str, str]
    rebuilds: list[str]


class Printed(NamedTuple):
    code: int
    out: str
    err: str
    seconds: float


@pytest.fixture(scope="session")
def scenario() -> Scenario:
    return Scenario.read(ROOT / "demo_data")


@pytest.fixture(scope="module")  # the README's examples record more: what they do must not reach other modules
def played(scenario: Scenario, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Played]:
    url = f"sqlite:///{tmp_path_factory.mktemp('demo')}/ledger.sqlite3"
    tokens = prepared(url, scenario.facility)
    with serving(url) as address, httpx.Client(trust_env=False, timeout=30) as http:
        people = {who: FieldClient(address, scenario.facility.code, token, http=http) for who, token in tokens.items()}
        rebuilds, _ = post_all(scenario, people, Console(quiet=True))
        yield Played(address, people, tokens, rebuilds)


@pytest.fixture(scope="session")
def printed() -> Printed:
    started = time.monotonic()
    done = subprocess.run(
        [sys.executable, "-m", "service", "demo", "--once"],
        cwd=ROOT, capture_output=True, text=True, encoding="utf-8", timeout=60, check=False,
    )  # fmt: skip
    return Printed(done.returncode, done.stdout, done.stderr, time.monotonic() - started)
