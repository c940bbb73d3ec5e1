"""One durable POST of ``meter.read`` at 64 clients against a plain FastAPI + SQLModel route.

Measures: posts a second, both durable before the answer.
Against: a route as it is usually written, one session and one commit for each request, on SQLite as it comes; and, told
but not judged, the same with a write-ahead log. It validates the same body, keeps one row, hashes and judges nothing.
To reach: 15 times the plain route.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from functools import partial

from tests.bench.apps.plain import FILE
from tests.bench.fill import filled
from tests.bench.frame import Contender, Figure, Row, Setting
from tests.bench.posting import OURS, Posts, to_ours
from tests.bench.scene import meter_read
from tests.bench.servers import served

_CLIENTS = 64
_SERVICE, _PLAIN, _WITH_LOG = "service, 64 clients", "plain route, 64 clients", "plain, write-ahead log, 64 clients"
_APPS = {_PLAIN: "tests.bench.apps.plain:app", _WITH_LOG: "tests.bench.apps.plain:app_with_log"}


@contextmanager
def _contenders(setting: Setting) -> Iterator[Mapping[str, Contender]]:
    folder, seconds = setting.folder, setting.seconds
    database, posts = filled(folder, "against-plain", 1_000), Posts(meter_read, 1_000, 4_000, ahead=1_000, once=True)
    files = {name: {FILE: str(folder / f"plain-{number}.sqlite3")} for number, name in enumerate(_APPS)}
    with (
        served(OURS, folder, database.environment) as ours,
        served(_APPS[_PLAIN], folder, files[_PLAIN]) as plain,
        served(_APPS[_WITH_LOG], folder, files[_WITH_LOG]) as with_log,
    ):
        contenders: dict[str, Contender] = {_SERVICE: partial(to_ours, ours, database, posts, _CLIENTS, seconds)}
        for name, server in ((_PLAIN, plain), (_WITH_LOG, with_log)):
            own = Posts(meter_read, 4_000, 2_000)
            contenders[name] = partial(own.to, server, "/entries", "", _CLIENTS, seconds)
        yield contenders


ROW = Row(
    "post against plain",
    "One durable POST of a meter reading at 64 clients, beside a route that commits for each request; SQLite.",
    _contenders,
    lambda _: [
        Figure("against plain SQLModel", lambda seen: seen[_SERVICE].rate / seen[_PLAIN].rate, at_least=15),
        Figure("against plain SQLModel, write-ahead log", lambda seen: seen[_SERVICE].rate / seen[_WITH_LOG].rate),
    ],
)
