"""Entries sent by the line: from a file or one by one, nothing kept, sent again where that can be done."""

from __future__ import annotations

import itertools
import json
from collections.abc import Callable, Iterator
from pathlib import Path

import httpx
import pytest

from service.field.client import FieldClient, Refused, Unreachable

_TAGS = itertools.count(1)
AT = "2026-02-03T09:00:00+00:00"


@pytest.fixture
def client(served, http) -> Callable[..., FieldClient]:
    def client_(*, line: httpx.Client | None = None, token: str | None = None, **more) -> FieldClient:
        return FieldClient(
            served.url,
            served.facility,
            token or served.tokens["engineer"],
            http=line or http,
            pause=lambda _: None,
            **more,
        )

    return client_


@pytest.fixture
def manifold(client) -> str:
    tag = f"ST{next(_TAGS)}"
    data = {"kind": "manifold", "gas": "oxygen"}
    client().post([{"type": "asset.registered", "occurred_at": AT, "asset": tag, "data": data}])
    return tag


def hours(tag: str, count: int) -> Iterator[dict]:
    return (
        {"type": "meter.read", "occurred_at": AT, "asset": tag, "data": {"meter": "hours", "reading": str(number)}}
        for number in range(count)
    )


class Line(httpx.HTTPTransport):
    """A line on which something happens to the first answers."""

    def __init__(self, *happens: Callable[[httpx.Response], httpx.Response]) -> None:
        super().__init__()
        self.happens = list(happens)

    def handle_request(self, request: httpx.Request) -> httpx.Response:
        response = super().handle_request(request)
        return self.happens.pop(0)(response) if self.happens else response


def torn(response: httpx.Response) -> httpx.Response:
    """The answer breaks off after its first two lines."""
    whole = response.read()
    response.close()
    return httpx.Response(200, content=b"".join(whole.splitlines(keepends=True)[:2]))


def busy(response: httpx.Response) -> httpx.Response:
    response.read()
    response.close()
    return httpx.Response(503, headers={"Retry-After": "1"})


def lost(response: httpx.Response) -> httpx.Response:
    response.read()
    response.close()
    raise httpx.ReadError("the tunnel")


def test_more_entries_than_a_post_may_hold_go_one_by_one_and_each_is_answered(client, manifold):
    told = list(client().stream(hours(manifold, 1_500)))
    assert [one.line for one in told] == list(range(1, 1_501))
    assert {(one.status, one.taken, one.replayed) for one in told} == {(201, True, False)}
    assert [one.seq for one in told] == list(range(told[0].seq, told[0].seq + 1_500))
    assert {one.replayed for one in client().stream(list(hours(manifold, 1_500)))} == {True}


def test_a_file_of_lines_goes_as_it_is_and_what_is_refused_says_where(client, manifold, tmp_path: Path):
    file = tmp_path / "history.ndjson"
    good, bad = (json.dumps(one) for one in hours(manifold, 2))
    file.write_text(f"{good}\n\n{bad.replace('hours', 'h' * 300)}\r\n{{", encoding="utf-8")
    taken, refused, half = client().stream(file)
    assert (taken.line, taken.taken) == (1, True)
    assert (refused.line, refused.status, refused.errors[0]["pointer"]) == (3, 422, "/data/meter")
    assert (half.line, half.status, half.errors[0]["code"]) == (4, 400, "not_json")


def test_defaults_fill_in_what_an_entry_leaves_out(client, manifold):
    bare = [
        {"data": {"meter": "hours", "reading": 4.50}},
        {"by": "tech-11", "data": {"meter": "hours", "reading": "5"}},
    ]
    defaults = {"type": "meter.read", "occurred_at": AT, "asset": manifold, "by": "tech-03"}
    assert [one.status for one in client().stream(bare, defaults=defaults)] == [201, 201]
    kept = client().get("/entries", asset=manifold, type="meter.read")["items"]
    assert [(one["by"], one["data"]["reading"]) for one in kept] == [("tech-03", "4.5"), ("tech-11", "5")]


@pytest.mark.parametrize("happens", [torn, busy, lost])
def test_a_list_is_sent_again_and_each_line_is_told_once(client, manifold, happens):
    with httpx.Client(transport=Line(happens)) as line:
        told = list(client(line=line).stream(list(hours(manifold, 5))))
    assert [one.line for one in told] == [1, 2, 3, 4, 5]
    assert len(client().get("/entries", asset=manifold, type="meter.read")["items"]) == 5


@pytest.mark.parametrize(("happens", "error"), [(torn, Unreachable), (busy, Refused), (lost, Unreachable)])
def test_what_can_be_gone_through_but_once_is_not_sent_again(client, manifold, happens, error):
    with httpx.Client(transport=Line(happens)) as line, pytest.raises(error):
        list(client(line=line).stream(hours(manifold, 5)))


def test_a_token_that_is_not_known_is_a_refusal(client, manifold):
    with pytest.raises(Refused) as refused:
        list(client(token="wmk_nobody").stream(hours(manifold, 1)))
    assert refused.value.status == 401
