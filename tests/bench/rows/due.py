"""A page of 50 of the due list, one client, at 1,000 and 100,000 assets (``--million``: at 1,000,000 too).

Measures: ``GET /due``, today, first page; and a page from the middle of the list, told but not judged.
Against: a bare route that returns the same bytes; and itself with fewer assets.
To reach: half the speed of the bare route at the largest size; at 100,000 assets at most 1.5 times what the page costs
at 1,000; at 1,000,000 at most 2.5 times.
"""

from __future__ import annotations

import http.client
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from datetime import UTC, date, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

from service.api.answer import write_cursor
from tests.bench.apps.bare import BYTES
from tests.bench.fill import CODE, filled
from tests.bench.frame import Contender, Figure, Row, Sample, Setting
from tests.bench.load import HOST
from tests.bench.posting import BARE, OURS
from tests.bench.servers import Server, request, served

SIZES = (1_000, 100_000)
MILLION = 1_000_000
_BANKS = 2
_DAYS = 1_500
"""The due days lie from 300 days ago to 1,200 days ahead."""
_BARE, _MIDDLE = "bare route, the same bytes", "from the middle"
_PATH = f"/v1/facilities/{CODE}/due"


def _name(size: int) -> str:
    return f"{size:,} assets"


def _spread(number: int, row: dict[str, Any]) -> None:
    """Give each copy a due day of its own: as if all had been commissioned on different days."""
    if "due_on" in row:
        day = datetime.now(UTC).date() + timedelta(days=number * 7919 % _DAYS - 300)
        row |= {"due_on": day.isoformat(), "window_on": (day - timedelta(days=45)).isoformat()}


def _largest(setting: Setting) -> int:
    return MILLION if setting.million else SIZES[-1]


def _asked(server: Server, asked: bytes, seconds: float) -> Sample:
    return server.loaded([asked], 1, seconds, 200, again=True)[0]


def _page(server: Server, token: str) -> bytes:
    connection = http.client.HTTPConnection(HOST, server.port, timeout=30)
    connection.request("GET", _PATH, headers={"Authorization": f"Bearer {token}"})
    answered = connection.getresponse()
    content = answered.read()
    connection.close()
    if answered.status != 200 or content.count(b'"due_on"') != 50:
        raise RuntimeError(f"not a page of 50: {answered.status} {content[:300]!r}")
    return content


def _middle() -> str:
    day: date = datetime.now(UTC).date() + timedelta(days=_DAYS // 2 - 300)
    return f"{_PATH}?{urlencode({'after': write_cursor(day.isoformat(), 'M', 'RB-1')})}"


@contextmanager
def _contenders(setting: Setting) -> Iterator[Mapping[str, Contender]]:
    folder, seconds, contenders = setting.folder, setting.seconds / 2, dict[str, Contender]()
    with ExitStack() as open_servers:
        for size in (*SIZES, MILLION) if setting.million else SIZES:
            database = filled(folder, f"due-{size}", size // _BANKS, as_views=True, vary=_spread)
            ours = open_servers.enter_context(served(OURS, folder, database.environment))
            first, middle = (request("GET", path, token=database.token) for path in (_PATH, _middle()))
            contenders[_name(size)] = partial(_asked, ours, first, seconds)
        contenders[f"{_name(size)}, {_MIDDLE}"] = partial(_asked, ours, middle, seconds)
        bare = open_servers.enter_context(_bare(folder, _page(ours, database.token)))
        contenders[_BARE] = partial(_asked, bare, request("GET", "/bytes"), seconds)
        yield contenders


@contextmanager
def _bare(folder: Path, content: bytes) -> Iterator[Server]:
    (folder / "page.json").write_bytes(content)
    with served(BARE, folder, {BYTES: str(folder / "page.json")}) as server:
        yield server


def _figures(setting: Setting) -> list[Figure]:
    small, large = _name(SIZES[0]), _name(_largest(setting))
    found = [
        Figure(f"page against bare, {large}", lambda seen: seen[_BARE].p50 / seen[large].p50, at_least=0.5),
        Figure(
            f"time at {_name(SIZES[1])} against {small}",
            lambda seen: seen[_name(SIZES[1])].p50 / seen[small].p50,
            at_most=1.5,
        ),
        Figure(f"a page {_MIDDLE} against bare", lambda seen: seen[_BARE].p50 / seen[f"{large}, {_MIDDLE}"].p50),
    ]
    if setting.million:
        over = Figure(f"time at {large} against {small}", lambda seen: seen[large].p50 / seen[small].p50, at_most=2.5)
        found.append(over)
    return found


ROW = Row("due page", "GET /due, a page of 50, 1 client; SQLite.", _contenders, _figures)
