"""Requests made from the contract by a machine, good and bad ones: no fault of ours, no answer that is not documented.

The run in the suite is short and the same each time. The long one, some minutes with another thousand requests of each
kind, is for a change of the contract or of the intake: ``WITNESSMARK_LONG=1 pytest tests/api/test_generated.py``.
"""

from __future__ import annotations

import json
import os
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

import pytest
import schemathesis
import uvicorn
from hypothesis import HealthCheck, settings

from service.app import create_app, now
from service.ledger.keys import enrol
from service.settings import Settings
from tests.api import scenario
from tests.api.desk import running

LONG = bool(os.environ.get("WITNESSMARK_LONG"))
REFUSALS = [400, 401, 403, 404, 405, 409, 412, 413, 415, 422, 428]
CONFIG: dict[str, Any] = {
    "seed": 20260601,
    "parameters": {"facility": scenario.FACILITY["code"]},
    "generation": {"max-examples": 300 if LONG else 12, "database": "none"},
    "checks": {
        # A body may be as documented and still no fact here: an asset that is not registered, an id used twice.
        "positive_data_acceptance": {"enabled": False},
        # What is wrong by the document is refused, which it tells by trying each way once, not by chance: a list with
        # one text in it reaches the service as that text.
        "negative_data_rejection": {"enabled": LONG, "expected-statuses": REFUSALS},
    },
    "phases": {"fuzzing": {"checks": {"negative_data_rejection": {"enabled": False}}}},
    # Every way to get a procedure or an entry of thirty types wrong is twenty thousand requests: for the long run.
    "operations": [{"include-method": "POST", "phases": {"coverage": {"enabled": LONG}}}],
}
CONTRACT = Path(__file__).parents[2] / "openapi" / "openapi.json"


@schemathesis.serializer("application/x-ndjson")
def _lines(_: object, value: Any) -> bytes:
    """The contract has a text for it, as it goes over the wire."""
    return value.encode() if isinstance(value, str) else json.dumps(value).encode()


contract = schemathesis.openapi.from_path(CONTRACT, config=schemathesis.Config.from_dict(CONFIG))


class Served(NamedTuple):
    url: str
    token: str


@pytest.fixture(scope="module")
def served(sqlite_template: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """The service on a loopback port, over a ledger with a rebuild in it."""
    path = tmp_path_factory.mktemp("generated") / "ledger.sqlite3"
    path.write_bytes(sqlite_template.read_bytes())
    with running(f"sqlite:///{path}") as desk:
        desk.open()
        desk.record(*scenario.registered())
        desk.post("/entries", scenario.BODY)
        enrol(desk.ledger.store, path.with_name("witnessmark.key"), desk.facility, desk.clock())
        token = desk.token
    config = uvicorn.Config(create_app(Settings(database_url=f"sqlite:///{path}"), now), port=0, log_level="critical")
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, name="served")
    thread.start()
    while not server.started:
        time.sleep(0.01)
    port = server.servers[0].sockets[0].getsockname()[1]
    yield Served(f"http://127.0.0.1:{port}", token)
    server.should_exit = True
    thread.join()


@contract.parametrize()
@settings(deadline=None, suppress_health_check=list(HealthCheck))
def test_whatever_is_asked_the_answer_is_a_documented_one(case: schemathesis.Case, served: Served) -> None:
    case.call_and_validate(base_url=served.url, headers={"Authorization": f"Bearer {served.token}"})
