"""The service as its callers meet it: a running app, a client in front of it, and a clock that can be set."""

from __future__ import annotations

import time
from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from typing import Any, TypeVar

import httpx
from anyio.from_thread import BlockingPortal, start_blocking_portal
from fastapi import FastAPI

from service.access.tokens import new_token
from service.app import create_app
from service.entries.catalogue import SCOPES, Scope
from service.entries.facility import FacilityOpened
from service.ledger.ledger import Ledger
from service.settings import Settings
from service.store import entries, views
from tests.api import scenario

T = TypeVar("T")
PROBLEM = "application/problem+json"
PROBLEM_MEMBERS = {"type", "title", "status", "detail", "code", "errors"}


class Clock:
    """A clock that stands still until it is moved."""

    def __init__(self, at: datetime = scenario.NOW) -> None:
        self.at = at

    def __call__(self) -> datetime:
        return self.at

    def pass_(self, **time: float) -> None:
        """Let time pass."""
        self.at += timedelta(**time)


class Desk:
    """One facility's face of a running service. Paths begin at the facility; ``/livez`` and the like at ``//``."""

    def __init__(self, app: FastAPI, client: httpx.AsyncClient, portal: BlockingPortal, clock: Clock) -> None:
        self.app, self.clock, self._client, self._portal = app, clock, client, portal
        self.facility, self.token = "", ""

    @property
    def ledger(self) -> Ledger:
        """The ledger behind the counter."""
        ledger: Ledger = self.app.state.ledger
        return ledger

    def open(self, **members: Any) -> None:
        """Open the scenario's facility and take a token with every scope."""
        opened = FacilityOpened.model_validate(scenario.FACILITY | members)
        self.ledger.open(opened)
        self.facility = opened.code
        self.token = self.token_for(*SCOPES)

    def token_for(self, *scopes: Scope, facility: str | None = None) -> str:
        """A token of the facility with these scopes."""
        return new_token(self.ledger.store, [facility or self.facility], scopes, self.clock())

    def call(self, method: str, path: str, *, token: str | None = None, **request: Any) -> httpx.Response:
        """Any call, as whoever holds ``token``; ``token=""`` sends none."""
        headers = dict(request.pop("headers", None) or {})
        secret = self.token if token is None else token
        if secret:
            headers.setdefault("Authorization", f"Bearer {secret}")
        address = path[1:] if path.startswith("//") else f"/v1/facilities/{self.facility}{path}"

        async def send() -> httpx.Response:
            return await self._client.request(method, address, headers=headers, **request)

        return self._portal.call(send)

    def on_loop(self, ask: Callable[[], Awaitable[T]]) -> T:
        """Something that must run where the service does."""
        return self._portal.call(ask)

    def get(self, path: str, **request: Any) -> httpx.Response:
        return self.call("GET", path, **request)

    def post(self, path: str, json: Any = None, **request: Any) -> httpx.Response:
        return self.call("POST", path, **({"json": json} if "content" not in request else {}), **request)

    def patch(self, path: str, json: Any, etag: str | None, **request: Any) -> httpx.Response:
        headers = {"If-Match": etag} if etag is not None else {}
        return self.call("PATCH", path, json=json, headers=headers, **request)

    def record(self, *entries: Any) -> Any:
        """Post entries that must be taken; the receipt."""
        answer = self.post("/entries", list(entries))
        assert answer.status_code == 201, answer.text
        return answer.json()

    def walk(self, path: str) -> list[Any]:
        """Every item of a list, page after page along ``Link: rel=next`` (RFC 8288), as a client would go."""
        items: list[Any] = []
        answer = self.get(path)
        while True:
            assert answer.status_code == 200, answer.text
            items += answer.json()["items"]
            following = answer.links.get("next")
            assert (following is None) == (answer.json()["next"] is None)
            if following is None:
                return items
            answer = self.call("GET", "/" + following["url"])

    def size(self) -> int:
        """How many entries the ledger holds."""
        with self.ledger.store.reading() as tx:
            return entries.count(tx, self.facility)

    def settle(self, seconds: float = 10) -> None:
        """Wait until what a certificate or an amendment has stirred up is judged again."""
        until = time.monotonic() + seconds
        while time.monotonic() < until:
            with self.ledger.store.reading() as tx:
                if not views.marked(tx, self.facility, 1):
                    return
            time.sleep(0.01)
        raise AssertionError("rebuilds still wait to be judged")


@contextmanager
def running(url: str, clock: Clock | None = None, **settings: Any) -> Iterator[Desk]:
    """The service over a migrated database, started and stopped as a server would."""
    clock = clock or Clock()
    app = create_app(Settings(database_url=url, **settings), clock)
    with start_blocking_portal() as portal, portal.wrap_async_context_manager(app.router.lifespan_context(app)):
        # A fault of the service must come out as an answer, not as an exception in the caller.
        transport = httpx.ASGITransport(app, raise_app_exceptions=False)
        client = httpx.AsyncClient(transport=transport, base_url="http://ledger.test")
        with portal.wrap_async_context_manager(client):
            yield Desk(app, client, portal, clock)


def problem(answer: httpx.Response, status: int, code: str | None = None) -> list[tuple[str, str]]:
    """The (pointer, code) pairs of a problem document, which must have the one shape all problems have."""
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == PROBLEM
    told = answer.json()
    assert set(told) == PROBLEM_MEMBERS
    assert told["status"] == status
    assert told["type"].endswith("/" + told["code"])
    assert told["title"]
    assert told["detail"]
    assert all(set(one) == {"pointer", "detail", "code"} and one["detail"] for one in told["errors"])
    assert code is None or told["code"] == code, told
    return [(one["pointer"], one["code"]) for one in told["errors"]]
