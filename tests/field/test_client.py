"""The field client against a real service: over a bad line, late, twice, and with more than a post may hold."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime

import httpx
import pytest

from service.entries.envelope import MOST_ENTRIES, read_envelope
from service.field.client import FieldClient, Refused, Unreachable
from service.field.ids import identified
from service.ledger.admit import ids_of

_TAGS = itertools.count(1)
AT = "2026-02-03T09:00:00+00:00"


@pytest.fixture
def client(served, http) -> Callable[..., FieldClient]:
    """A client; ``http`` may be another line, ``who`` another person."""

    def client_(*, line: httpx.Client | None = None, who: str = "engineer", **more) -> FieldClient:
        return FieldClient(served.url, served.facility, served.tokens[who], http=line or http, **more)

    return client_


@pytest.fixture
def regulator(client) -> str:
    """The tag of a regulator registered for this test alone."""
    tag = f"NX{next(_TAGS)}-LB"
    data = {"kind": "bank_regulator", "gas": "oxygen", "commissioned_on": "2020-01-01"}
    client().post([{"type": "asset.registered", "occurred_at": AT, "asset": tag, "data": data}])
    return tag


class BadLine(httpx.HTTPTransport):
    """A line on which the first requests do not get through; then it is a line like any other."""

    def __init__(self, *troubles: httpx.Response | Exception) -> None:
        super().__init__()
        self.troubles = list(troubles)

    def handle_request(self, request: httpx.Request) -> httpx.Response:
        if not self.troubles:
            return super().handle_request(request)
        trouble = self.troubles.pop(0)
        if isinstance(trouble, Exception):
            raise trouble
        return trouble


def hours(tag: str, *readings: object) -> list[dict]:
    return [
        {"type": "meter.read", "occurred_at": AT, "asset": tag, "data": {"meter": "hours", "reading": reading}}
        for reading in readings
    ]


def test_a_record_posted_twice_changes_nothing(client, regulator):
    first = client().post(hours(regulator, "12.0", "13.5"))
    again = client().post(hours(regulator, "12.0", "13.5"))
    assert (first.new, again.new) == (2, 0)
    assert [one.seq for one in again.accepted] == [one.seq for one in first.accepted]
    assert (again.size, again.root) == (first.size, first.root)


def test_defaults_fill_in_what_an_entry_leaves_out(client, regulator):
    data = {"meter": "hours", "reading": "4"}
    client().post([{"data": data}], defaults={"type": "meter.read", "occurred_at": AT, "asset": regulator})
    assert [entry["data"] for entry in client().get("/entries", asset=regulator, type="meter.read")["items"]] == [data]


def test_a_number_given_as_a_float_is_kept_by_the_digits_it_was_sent_with(client, regulator):
    client().post(hours(regulator, 30.0))
    kept = client().get("/entries", asset=regulator, type="meter.read")["items"]
    assert kept[0]["data"]["reading"] == "30.0"


def test_more_than_a_post_may_hold_goes_in_several_with_progress_told(client, regulator):
    told: list[tuple[int, int]] = []
    receipt = client().post(
        hours(regulator, *range(MOST_ENTRIES + 1)), progress=lambda done, whole: told.append((done, whole))
    )
    assert told == [(MOST_ENTRIES, MOST_ENTRIES + 1), (MOST_ENTRIES + 1, MOST_ENTRIES + 1)]
    assert (len(receipt.accepted), receipt.new) == (MOST_ENTRIES + 1, MOST_ENTRIES + 1)


def test_a_split_file_keeps_the_ids_it_would_have_in_one_post(client, regulator, served):
    # The same reading stands before and after the place where the file is split.
    file = hours(regulator, "7", *(f"{number}.50" for number in range(MOST_ENTRIES)), "7")
    in_one = ids_of(served.facility, [read_envelope(entry) for entry in file])
    receipt = client().post(file)
    assert [one.id for one in receipt.accepted] == in_one
    assert receipt.new == len(file)
    assert client().post(file).new == 0


@pytest.mark.parametrize("reading", ["30.0", 30, 30.5, 1e3])
def test_ids_derived_here_are_those_the_service_derives(client, regulator, served, reading):
    file = hours(regulator, reading, reading)
    here = [one["id"] for one in identified(served.facility, file)]
    assert len(set(here)) == 2
    assert here == [one.id for one in client().post(file).accepted]


def test_ids_written_down_by_the_technician_stay(served):
    mine = "0198c1f2-0000-7000-8000-000000000001"
    kept = identified(served.facility, [{"id": mine, **hours("NX-LB", "1")[0]}, *hours("NX-LB", "1")])
    assert kept[0]["id"] == mine
    assert kept[1]["id"] == identified(served.facility, hours("NX-LB", "1"))[0]["id"]


def test_nothing_of_a_long_file_is_sent_while_one_entry_cannot_be_read(client, regulator):
    file = hours(regulator, *range(MOST_ENTRIES), "not a number")
    with pytest.raises(Refused) as refused:
        client().post(file)
    assert [(fault["pointer"], fault["code"]) for fault in refused.value.errors] == [
        (f"/entries/{MOST_ENTRIES}/data/reading", "not_a_number")
    ]
    assert client().get("/entries", asset=regulator, type="meter.read")["items"] == []


def test_a_refusal_of_a_later_part_points_into_the_whole_file_and_says_what_was_taken(client, regulator):
    file = [*hours(regulator, *range(MOST_ENTRIES)), *hours("not-registered", "1")]
    with pytest.raises(Refused) as refused:
        client().post(file)
    assert refused.value.errors[0]["pointer"] == f"/entries/{MOST_ENTRIES}/asset"
    assert len(refused.value.receipt.accepted) == MOST_ENTRIES


def test_a_refusal_carries_the_problem_document(client, regulator):
    torque = {"joint": "seat", "torque": {"value": "30", "unit": "kPa"}}
    with pytest.raises(Refused, match="kPa measures pressure") as refused:
        client().post([{
            "type": "torque.applied", "occurred_at": AT, "asset": regulator,
            "rebuild": "0198c1f2-0000-7000-8000-000000000002", "data": torque,
        }])  # fmt: skip
    assert (refused.value.status, refused.value.code) == (422, "wrong_dimension")
    assert refused.value.errors[0]["pointer"] == "/entries/0/data/torque/unit"
    assert refused.value.problem["title"]


def test_a_token_without_the_scope_is_refused_as_such(client, regulator):
    with pytest.raises(Refused) as refused:
        client(who="visitor").post(hours(regulator, "1"))
    assert (refused.value.status, refused.value.code) == (403, "not_allowed")


def test_busy_is_waited_out_as_long_as_the_service_asks(client, regulator):
    waits: list[float] = []
    until = format_datetime(datetime.now(UTC) + timedelta(seconds=20), usegmt=True)
    line = BadLine(
        httpx.Response(503, headers={"Retry-After": "7"}),
        httpx.Response(429, headers={"Retry-After": until}),
        httpx.Response(503, headers={"Retry-After": "86400"}),
    )
    with httpx.Client(transport=line) as http:
        receipt = client(line=http, pause=waits.append).post(hours(regulator, "1"))
    assert receipt.new == 1
    assert waits == [7.0, pytest.approx(20, abs=2), 60.0]


def test_a_post_whose_answer_was_lost_is_repeated_and_recorded_once(client, regulator):
    class LostAnswer(BadLine):
        def handle_request(self, request):
            response = httpx.HTTPTransport.handle_request(self, request)
            if self.troubles:
                response.close()
                raise self.troubles.pop()
            return response

    with httpx.Client(transport=LostAnswer(httpx.ReadError("the tunnel"))) as http:
        receipt = client(line=http, pause=lambda _: None).post(hours(regulator, "1", "2"))
    assert [one.replayed for one in receipt.accepted] == [True, True]
    assert len(client().get("/entries", asset=regulator, type="meter.read")["items"]) == 2


def test_a_dead_line_is_given_up_after_a_few_tries(client, regulator):
    waits: list[float] = []
    with (
        httpx.Client(transport=BadLine(*[httpx.ConnectError("no route")] * 99)) as http,
        pytest.raises(Unreachable, match="no route"),
    ):
        client(line=http, pause=waits.append).post(hours(regulator, "1"))
    assert waits == sorted(waits)
    assert len(waits) == 4


def test_a_service_that_stays_busy_is_a_refusal_with_its_words(client, regulator):
    busy = {"title": "Not now", "status": 503, "detail": "the database does not answer", "code": "busy", "errors": []}
    with (
        httpx.Client(transport=BadLine(*[httpx.Response(503, json=busy)] * 5)) as http,
        pytest.raises(Refused, match="the database does not answer") as refused,
    ):
        client(line=http, pause=lambda _: None).post(hours(regulator, "1"))
    assert refused.value.code == "busy"


def test_an_answer_that_is_no_problem_document_is_told_all_the_same(client, regulator):
    with (
        httpx.Client(transport=BadLine(httpx.Response(502, text="<h1>Bad gateway</h1>"))) as http,
        pytest.raises(Refused, match="Bad gateway") as refused,
    ):
        client(line=http).post(hours(regulator, "1"))
    assert refused.value.status == 502


def test_the_due_list_is_read_page_after_page(client):
    plan = [{"procedure": "BR-7", "every": "P1Y"}]
    tags = [f"PAGE{number}-LB" for number in range(5)]
    client().post([
        {"type": "asset.registered", "occurred_at": AT, "asset": tag,
         "data": {"kind": "bank_regulator", "gas": "helium", "service": plan, "commissioned_on": "2020-01-01"}}
        for tag in tags
    ])  # fmt: skip
    items = list(client().due(as_of="2026-01-01", gas="helium", limit=2))
    assert [item["asset"] for item in items] == tags
    assert {item["state"] for item in items} == {"overdue"}
