"""A wrench is dropped, a gauge overloaded, a tool repaired: the rebuilds that used it are judged again, no others.

What the event means for a verdict is the instrument check's; here: whom it reaches. Common practice, no published source.
"""

from __future__ import annotations

import pytest

from service.ledger.append import append
from service.ledger.gather import gather
from service.ledger.memory import Memory
from service.store import views
from tests.ledger.bench import submission
from tests.ledger.scenario import REBUILD, REGULATOR, WRENCH, corrected, entry, find, rebuild

OTHER = "01981000-0000-7000-8000-0000000000bb"
BETWEEN = "2026-07-15"


def dropped(instrument="TW-5", event="dropped", day=BETWEEN, clock="09:00"):
    return entry("instrument.event", clock, {"instrument": instrument, "event": event}, day=day)


def events(bench, rebuild_id=REBUILD, instrument="TW-5"):
    """What the checks are given of an instrument when this rebuild is judged."""
    memory = Memory(bench.facility)
    with bench.store.reading() as tx:
        job = gather(tx, memory, rebuild_id, memory.work(tx, rebuild_id))
        return [(fact.data.event, fact.at.date().isoformat()) for fact in job.instruments[instrument].events]


def reached(bench, body, monkeypatch):
    """The rebuilds that an entry marks to be judged again."""
    seen = []
    mark = views.mark

    def noting(tx, facility, wanted):
        seen.extend(wanted)
        mark(tx, facility, wanted)

    monkeypatch.setattr(views, "mark", noting)
    append(bench.store, bench.memory, [submission(body)], bench.clock)
    return set(seen)


@pytest.fixture
def two(bench):
    """Two rebuilds, of which the second was tightened with another wrench; both read the same gauge."""
    bench.post([
        entry("asset.registered", "09:05", {**REGULATOR, "serial": "S-205"}, asset="AIR1-RB", day="2026-03-03"),
        entry("instrument.registered", "09:05", {**WRENCH, "instrument": "TW-6"}, day="2026-03-03"),
    ])  # fmt: skip
    bench.post(rebuild())
    other = rebuild(OTHER, asset="AIR1-RB", day="2026-07-16")
    for one in other:
        if one["data"].get("instrument") == "TW-5":
            one["data"]["instrument"] = "TW-6"
    bench.post(other)
    return bench


@pytest.mark.parametrize("event", ["dropped", "overloaded", "repaired"])
def test_an_event_reaches_the_rebuilds_that_used_the_instrument_and_no_others(two, event, monkeypatch):
    assert reached(two, dropped(event=event), monkeypatch) == {REBUILD}
    assert events(two) == [(event, BETWEEN)]
    assert events(two, OTHER, "TW-6") == []


def test_one_of_a_gauge_that_both_read_reaches_both(two, monkeypatch):
    assert reached(two, dropped("PG-2", "overloaded"), monkeypatch) == {REBUILD, OTHER}


def test_one_that_comes_late_is_put_in_its_time(two):
    two.post([dropped(day="2026-07-19"), dropped(event="repaired", day="2026-05-01")])
    assert events(two) == [("repaired", "2026-05-01"), ("dropped", "2026-07-19")]


def test_one_withdrawn_reaches_them_again_and_is_gone(two, monkeypatch):
    (event,) = two.post(dropped()).accepted
    assert reached(two, corrected(event.id, withdrawn=True), monkeypatch) == {REBUILD}
    assert events(two) == []


def test_a_rebuild_corrected_to_another_wrench_is_reached_by_that_one_alone(two, monkeypatch):
    torque = [one for one in rebuild() if one["type"] == "torque.applied"]
    for one in torque:
        two.post(corrected(one["id"], "10:10", data={**one["data"], "instrument": "TW-6"}))
    assert reached(two, dropped(), monkeypatch) == set()
    assert reached(two, dropped("TW-6"), monkeypatch) == {REBUILD, OTHER}
    assert find(torque, "torque.applied")["data"]["instrument"] == "TW-5", "as it was sent"


def test_one_of_an_instrument_not_registered_yet_waits_for_it(two):
    two.post(dropped("TW-9"))
    here = {"asset": "AIR1-LB", "rebuild": REBUILD, "by": "ines"}
    again = {"joint": "plug", "torque": {"value": "31.0", "unit": "N.m"}, "instrument": "TW-9"}
    two.post(entry("torque.applied", "09:12", again, **here))
    two.post(entry("instrument.registered", "09:05", {**WRENCH, "instrument": "TW-9"}, day="2026-03-03"))
    assert events(two, instrument="TW-9") == [("dropped", BETWEEN)]


def test_a_replay_reaches_the_same(two):
    two.post([dropped(), dropped("PG-2", "repaired")])
    live = two.contents()
    assert two.replayed() == live
