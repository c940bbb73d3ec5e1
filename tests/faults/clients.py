"""Honest clients under load: each sends one post at a time and sends it again until it is answered."""

from __future__ import annotations

import http.client
import json
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any

from tests.faults.remembered import NOT_NOW, Remembered
from tests.faults.served import HOST
from tests.faults.work import Post, Worker, setting_up

FACILITY = "faults"
PROBLEM = "application/problem+json"
HANG = 20.0
"""Seconds without an answer that count as a hang."""
_PAUSE = 0.05


class Client:
    """One line to the service."""

    def __init__(self, port: int, token: str, remembered: Remembered) -> None:
        self._port, self.remembered = port, remembered
        self._headers = {"Authorization": f"Bearer {token}", "Content-Type": "application/json"}
        self._line: http.client.HTTPConnection | None = None

    def post(self, post: Post, until: threading.Event | None = None) -> int:
        """Send until it is answered, or until nobody wants to know any more; the status, 0 for none."""
        return self.settle(self.remembered.sending(post.entries), post, until)

    def settle(self, ticket: int, post: Post, until: threading.Event | None = None) -> int:
        """The same for one that was begun before."""
        body = json.dumps(post.entries).encode()
        while until is None or not until.is_set():
            status, document = self.once("POST", "/entries", body)
            if status and self.remembered.answered(ticket, status, document, post.wanted):
                return status
            time.sleep(_PAUSE)
        return 0

    def once(self, method: str, path: str, body: bytes | None = None) -> tuple[int, Any]:
        """One request, and whether its answer has the shape it must have; 0 where the line was cut."""
        begun = time.monotonic()
        try:
            answer = self._ask(method, path, body)
            document = json.loads(answer.read() or b"null")
        except (OSError, http.client.HTTPException) as cut:
            self._hang_up()
            if isinstance(cut, TimeoutError):
                self.remembered.complain(f"no answer in {time.monotonic() - begun:.0f} s")
            self.remembered.unanswered()
            return 0, None
        self.remembered.waited(time.monotonic() - begun)
        self._look_at(answer, document)
        return answer.status, document

    def _ask(self, method: str, path: str, body: bytes | None) -> http.client.HTTPResponse:
        if self._line is None:
            self._line = http.client.HTTPConnection(HOST, self._port, timeout=HANG)
        self._line.request(method, f"/v1/facilities/{FACILITY}{path}", body, self._headers)
        return self._line.getresponse()

    def _look_at(self, answer: http.client.HTTPResponse, document: Any) -> None:
        if answer.status < 400:
            return
        if answer.headers["content-type"] != PROBLEM or document["status"] != answer.status or not document["detail"]:
            self.remembered.complain(f"{answer.status} is no problem document: {document}")
        if answer.status in NOT_NOW and not (answer.headers["retry-after"] or "").isdigit():
            self.remembered.complain(f"{answer.status} without Retry-After: {document}")

    def _hang_up(self) -> None:
        if self._line is not None:
            self._line.close()
            self._line = None

    close = _hang_up


def set_up(port: int, token: str, remembered: Remembered) -> None:
    """Record what the office records before any work."""
    client = Client(port, token, remembered)
    client.post(setting_up())
    client.close()


@contextmanager
def load(
    ports: Sequence[int], token: str, remembered: Remembered, clients: int, seed: object = 0, first: int = 0
) -> Iterator[None]:
    """Clients at work while the block runs; at its end each has its last answer, or is told to give up.

    ``first`` is the number of the first of them: two loads on one database have other numbers.
    """
    end = threading.Event()

    def work(number: int) -> None:
        client = Client(ports[number % len(ports)], token, remembered)
        try:
            for post in Worker(number, seed).posts():
                client.post(post, end)
                if end.is_set():
                    return
        except Exception as trouble:  # noqa: BLE001 - a client that dies in silence would prove nothing
            remembered.complain(f"a client died: {trouble!r}")
        finally:
            client.close()

    threads = [
        threading.Thread(target=work, args=(number,), name=f"client-{number}")
        for number in range(first, first + clients)
    ]
    for thread in threads:
        thread.start()
    try:
        yield
    finally:
        end.set()
        for thread in threads:
            thread.join()


def until(condition: Callable[[], object], what: str, seconds: float = 30.0) -> None:
    """Wait for something that clients bring about."""
    end = time.monotonic() + seconds
    while not condition():
        if time.monotonic() > end:
            raise AssertionError(f"waited {seconds:.0f} s for {what}")
        time.sleep(0.01)
