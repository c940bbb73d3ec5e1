"""A client for scripts that post field records, often late, twice, and over a bad line.

    with FieldClient("http://127.0.0.1:8000", "orrin-bay", token) as field:
        receipt = field.post(entries, defaults={"asset": "OXM1-LB", "rebuild": rebuild, "by": "tech-03"})
        refused = [line for line in field.stream(Path("history.ndjson")) if not line.taken]

Posting is safe to repeat: ids left out are derived from the content, so what was recorded before is not recorded again.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import AbstractContextManager
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from http import HTTPStatus
from typing import Any, Self
from urllib.parse import quote

import httpx

from service.entries.envelope import MOST_ENTRIES
from service.field.ids import identified
from service.field.receipt import Accepted, FieldError, Receipt, Refused, Unreachable
from service.field.stream import MEDIA_TYPE, LineResult, Source, can_be_sent_again, pieces, results

__all__ = ["Accepted", "FieldClient", "FieldError", "LineResult", "Receipt", "Refused", "Unreachable"]

TRIES = 5
LONGEST_PAUSE = 60.0
"""Seconds; a ``Retry-After`` beyond it is cut."""
_NOT_NOW = (HTTPStatus.REQUEST_TIMEOUT, HTTPStatus.TOO_MANY_REQUESTS, HTTPStatus.SERVICE_UNAVAILABLE)

Progress = Callable[[int, int], None]
"""Called with the number of entries taken so far, and of all."""


class FieldClient:
    """One facility of a service, and a token for it.

    Args:
        url: where the service is, such as ``http://127.0.0.1:8000``.
        facility: code of the facility.
        token: what ``witnessmark token new`` printed.
        http: a client of your own (proxies, certificates, timeouts); it is not closed here.
        pause: how to wait between tries, seconds.
    """

    def __init__(
        self,
        url: str,
        facility: str,
        token: str,
        *,
        http: httpx.Client | None = None,
        pause: Callable[[float], None] = time.sleep,
    ) -> None:
        self.facility = facility
        self._base = f"{url.rstrip('/')}/v1/facilities/{quote(facility, safe='')}"
        self._headers = {"Authorization": f"Bearer {token}"}
        self._http, self._is_own = http or httpx.Client(timeout=30), http is None
        self._pause = pause

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if self._is_own:
            self._http.close()

    def post(
        self,
        entries: Iterable[Mapping[str, Any]],
        *,
        defaults: Mapping[str, Any] | None = None,
        progress: Progress | None = None,
    ) -> Receipt:
        """Record entries; ``defaults`` fill in what each leaves out.

        Up to 1,000 are one post, taken all or none. More go in several, in order, with the ids they would have in one.

        Raises:
            Refused, Unreachable: the error's ``receipt`` is what was taken before.
        """
        whole = list(entries)
        if len(whole) > MOST_ENTRIES:
            whole = list(identified(self.facility, whole, defaults))
        receipt = Receipt()
        for start in range(0, max(1, len(whole)), MOST_ENTRIES):
            part = whole[start : start + MOST_ENTRIES]
            try:
                answer = self._send("POST", "/entries", json={"defaults": defaults or {}, "entries": part})
            except FieldError as error:
                failure = error.further_down(start) if isinstance(error, Refused) else error
                failure.receipt = receipt
                raise failure from error.__cause__
            receipt = receipt.and_then(answer)
            if progress is not None:
                progress(start + len(part), len(whole))
        return receipt

    def stream(
        self, source: Source, *, defaults: Mapping[str, Any] | None = None, timeout: float = 300
    ) -> Iterator[LineResult]:
        """Record any number of entries, each for itself; gives what became of each line, in order, as it is read.

        ``source`` is a file of lines (NDJSON), or entries one by one. Nothing is sent before the first result is asked
        for. A file or a list is sent again where the line fails or the service says not now; what can be gone through
        but once is not. What was recorded before is not recorded again. ``timeout`` in seconds is for each silence.

        Raises:
            Refused: the service took no more of it: those before may be recorded.
            Unreachable: the answer did not come, or not to its end.
        """
        tries, last = TRIES if can_be_sent_again(source) else 1, 0
        for tried in range(1, tries + 1):
            pause = 2.0**tried / 4
            try:
                with self._streaming(pieces(source, defaults or {}), timeout) as response:
                    if tried == tries or response.status_code not in _NOT_NOW:
                        for result in _streamed(response, last):
                            last = result.line
                            yield result
                        return
                    pause = _asked_for(response.headers.get("retry-after"), pause)
            except (httpx.TransportError, Unreachable) as error:
                if tried == tries:
                    raise Unreachable(f"no whole answer from {self._base}: {error}") from error
            self._pause(pause)

    def _streaming(self, body: Iterator[bytes], timeout: float) -> AbstractContextManager[httpx.Response]:
        headers = {**self._headers, "Content-Type": MEDIA_TYPE}
        return self._http.stream("POST", self._base + "/entries", content=body, headers=headers, timeout=timeout)

    def get(self, path: str, **params: Any) -> Any:
        """What a path below the facility answers, such as ``/assets/OXM1-LB``."""
        return self._send("GET", path, params={name: value for name, value in params.items() if value is not None})

    def rebuild(self, rebuild: str) -> Any:
        """A rebuild: state, verdict, findings with their arithmetic, facts, corrections."""
        return self.get(f"/rebuilds/{quote(rebuild, safe='')}")

    def due(self, **params: Any) -> Iterator[Any]:
        """Every item of the due list (``as_of``, ``state``, ``within``, ``gas``), page after page."""
        after = None
        while True:
            page = self.get("/due", **params, after=after)
            yield from page["items"]
            after = page["next"]
            if after is None:
                return

    def _send(self, method: str, path: str, **sent: Any) -> Any:
        """One request; tried again where the line fails or the service says not now."""
        for tried in range(1, TRIES + 1):
            pause = 2.0**tried / 4
            try:
                response = self._http.request(method, self._base + path, headers=self._headers, **sent)
            except httpx.TransportError as error:
                if tried == TRIES:
                    raise Unreachable(f"no answer from {self._base} in {TRIES} tries: {error}") from error
            else:
                if tried == TRIES or response.status_code not in _NOT_NOW:
                    return _answered(response)
                pause = _asked_for(response.headers.get("retry-after"), pause)
            self._pause(pause)
        raise AssertionError  # the last try has returned or raised


def _streamed(response: httpx.Response, after: int) -> Iterator[LineResult]:
    if response.is_success:
        yield from results(response.iter_lines(), after)
    else:
        response.read()
        _answered(response)


def _answered(response: httpx.Response) -> Any:
    if response.is_success:
        return response.json()
    try:
        problem = response.json()
    except ValueError:
        problem = None
    told = problem if isinstance(problem, dict) else {"detail": response.text[:200]}
    raise Refused({"title": response.reason_phrase, **told, "status": response.status_code})


def _asked_for(retry_after: str | None, otherwise: float) -> float:
    """Seconds to wait: ``Retry-After`` is a number of them, or a date (RFC 9110 section 10.2.3)."""
    if retry_after is None:
        return otherwise
    if retry_after.isdigit():
        return min(float(retry_after), LONGEST_PAUSE)
    try:
        seconds = (parsedate_to_datetime(retry_after) - datetime.now(UTC)).total_seconds()
    except (ValueError, TypeError):
        return otherwise
    return min(max(seconds, 0.0), LONGEST_PAUSE)
