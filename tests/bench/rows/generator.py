"""How fast the load generator can go, so that no other row measures it instead of a server.

Measures: the same posts at 64 clients to a server that answers without looking.
Against: the bare route, the fastest that any other row posts to.
To reach: the generator uses at most 0.6 of a core against the bare route.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from functools import partial

from tests.bench.frame import Contender, Figure, Row, Setting
from tests.bench.posting import BARE, Posts
from tests.bench.scene import meter_read
from tests.bench.servers import served

_CLIENTS = 64
_CANNED, _BARE = "answers without looking, 64 clients", "bare route, 64 clients"


@contextmanager
def _contenders(setting: Setting) -> Iterator[Mapping[str, Contender]]:
    posts, seconds = Posts(meter_read, 1_000, 1_000), setting.seconds / 2
    with (
        served("tests.bench.apps.canned:app", setting.folder) as canned,
        served(BARE, setting.folder) as bare,
    ):
        yield {
            _CANNED: partial(posts.to_forgetful, canned, "/", _CLIENTS, seconds),
            _BARE: partial(posts.to_forgetful, bare, "/meter.read", _CLIENTS, seconds),
        }


ROW = Row(
    "load generator",
    "The generator's own speed.",
    _contenders,
    lambda _: [
        Figure("share of a core used against the bare route", lambda seen: seen[_BARE].client or 0.0, at_most=0.6),
        Figure("canned server against bare route", lambda seen: seen[_CANNED].rate / seen[_BARE].rate),
    ],
)
