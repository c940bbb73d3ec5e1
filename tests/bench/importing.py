"""What the rows about imports share: lines in the order of an export, asset after asset, and one import of them."""

from __future__ import annotations

import http.client
import time
from collections.abc import Callable, Iterable, Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import orjson

from tests.bench.fill import CODE, Filled
from tests.bench.frame import Sample
from tests.bench.load import HOST
from tests.bench.scene import meter_read, torque_applied
from tests.bench.servers import Server

_BEGIN = datetime(2024, 1, 1, tzinfo=UTC)
READINGS, TORQUES = 40, 20
"""Entries of one manifold that stand together."""


def readings(number: int, manifolds: int) -> dict[str, Any]:
    """Meter readings: forty of a manifold, then of the next; when all had their turn, the next forty."""
    return _of_manifold(number, manifolds, READINGS, _reading)


def _reading(post: int, manifolds: int) -> dict[str, Any]:
    """From two years further back: a million minutes later must not be in the future."""
    entry = meter_read(post, manifolds)
    return entry | {"occurred_at": (_BEGIN + timedelta(minutes=post)).strftime("%Y-%m-%dT%H:%M:%SZ")}


def record(number: int, manifolds: int) -> dict[str, Any]:
    """Of each manifold forty meter readings, then twenty torques in the rebuild of its left bank."""
    group, place = divmod(number, READINGS + TORQUES)
    if place < READINGS:
        return _with_id(_of_manifold(group * READINGS + place, manifolds, READINGS, _reading), number)
    return _with_id(_of_manifold(group * TORQUES + place - READINGS, manifolds, TORQUES, torque_applied), number)


def _of_manifold(number: int, manifolds: int, together: int, entry: Callable[[int, int], Any]) -> dict[str, Any]:
    group, place = divmod(number, together)
    turn, manifold = divmod(group, manifolds)
    return _with_id(entry((turn * together + place) * manifolds + manifold, manifolds), number)


def _with_id(entry: dict[str, Any], number: int) -> dict[str, Any]:
    """Ids rise, as those do that are made from the time (UUIDv7)."""
    return entry | {"id": f"{entry['id'][:8]}-0000-7000-8000-{number:012x}"}


def lines(entries: Iterable[dict[str, Any]]) -> Iterator[bytes]:
    """The entries as they are sent."""
    return (orjson.dumps(entry) + b"\n" for entry in entries)


def imported(server: Server, database: Filled, body: bytes | Iterator[bytes], count: int) -> Sample:
    """One import of so many entries, all of which must be new; its rate, and the processor time of one entry."""
    headers = {"Authorization": f"Bearer {database.token}", "Content-Type": "application/x-ndjson"}
    connection = http.client.HTTPConnection(HOST, server.port, timeout=600)
    cpu, begun = server.cpu(), time.perf_counter()
    connection.request(
        "POST", f"/v1/facilities/{CODE}/entries", body, headers, encode_chunked=not isinstance(body, bytes)
    )
    answered = connection.getresponse()
    answer = answered.read()
    seconds, after = time.perf_counter() - begun, server.cpu()
    connection.close()
    done = orjson.loads(answer.rstrip().rpartition(b"\n")[2])
    if done != {"done": True, "read": count, "accepted": count, "refused": 0} or b'"replayed":true' in answer:
        raise RuntimeError(f"{answered.status}: {answer[:300]!r} … {done}")
    used = (after - cpu) / count if cpu is not None and after is not None else None
    return Sample(count / seconds, seconds / count, seconds / count, used)
