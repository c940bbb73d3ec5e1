"""Several writers: facilities side by side, a head that another holds, connections that break, marks without an owner."""

from __future__ import annotations

import asyncio
import threading
import time
from contextlib import contextmanager
from datetime import timedelta
from itertools import pairwise

import pytest
from sqlalchemy import text
from sqlalchemy.exc import IntegrityError, OperationalError

from service.entries.refusals import Busy
from service.ledger import appender as room
from service.ledger.append import append
from service.ledger.appender import Appender
from service.ledger.memory import Memory
from service.ledger.receipt import Receipt
from service.ledger.replay import replay
from service.store import entries as stored
from service.store import views
from service.store.engine import Pace, Store
from tests.ledger.bench import NOW, Bench, Clock, submission
from tests.ledger.scenario import FACILITY, REBUILD, entry, q, rebuild, setting_up

HERE = {"asset": "AIR1-LB", "rebuild": REBUILD}
OTHER = "skerry"


def note(text_="ok", **more):
    return submission({**entry("note.added", "09:00", {"text": text_}), **HERE, **more})


@pytest.fixture
def quick(postgresql_url):
    """A store of a process that does not wait long."""
    store = Store(postgresql_url, pace=Pace(writers=2, readers=2, lock_s=2))
    yield store
    store.close()


@pytest.fixture
def ferrow(quick):
    bench = Bench(quick)
    bench.post(setting_up())
    return bench


def talking(store, clock, talk):
    """Talk to an appender over this store; given back is what the talk gives back."""

    async def conversation():
        appender = Appender(store, clock)
        appender.start()
        try:
            return await asyncio.wait_for(talk(appender), 120)
        finally:
            await asyncio.to_thread(appender.stop)

    return asyncio.run(conversation())


def sound(bench):
    """No gap, recorded_at never backwards, and a replay makes the same views."""
    found = bench.entries()
    assert [one.seq for one in found] == list(range(1, bench.head().size + 1))
    assert [one.recorded_at for one in found] == sorted(one.recorded_at for one in found)
    live = bench.contents()
    assert bench.replayed() == live
    return found


# A head that another process holds


def test_a_facility_whose_head_is_held_holds_up_no_other_and_its_callers_are_told_to_come_again(ferrow, open_store):
    Bench(ferrow.store, {**FACILITY, "code": OTHER}).post(setting_up())
    elsewhere = open_store(ferrow.store.url)

    async def talk(appender):
        with elsewhere.writing() as tx:
            stored.lock_head(tx, "ferrow")
            held = [asyncio.ensure_future(appender.submit("ferrow", note(str(number)))) for number in range(3)]
            free = await appender.submit(OTHER, note())
            assert not any(one.done() for one in held), "they still wait while the other facility is written to"
            told = await asyncio.gather(*held, return_exceptions=True)
        return free, told, await appender.submit("ferrow", note("afterwards"))

    free, told, afterwards = talking(ferrow.store, ferrow.clock, talk)
    assert free.accepted[0].seq == 9
    assert [(type(one), one.retry_after >= 1) for one in told] == [(Busy, True)] * 3
    assert afterwards.accepted[0].seq == 9
    sound(ferrow)


def test_a_writer_that_falls_silent_in_the_middle_loses_the_head_and_leaves_nothing(ferrow, open_store):
    silent = open_store(ferrow.store.url, pace=Pace(lock_s=0.25))
    patient = open_store(ferrow.store.url, pace=Pace(lock_s=30))
    with silent.engine.connect() as connection:
        stored.lock_head(connection.execution_options(writes=True), "ferrow")
        stored.turn_head(connection, "ferrow")
        (receipt,) = append(patient, Memory("ferrow"), [note()], ferrow.clock)
        connection.invalidate()
    assert isinstance(receipt, Receipt)
    assert ferrow.head().turn == 3  # opened, set up, and this
    sound(ferrow)


# Connections that break


def broken_once(monkeypatch, store, when):
    """The next writer's connection is ended by the server, just ``before`` or ``after`` its commit."""
    done, writing = threading.Event(), Store.writing

    @contextmanager
    def broken(self):
        with writing(self) as tx:
            yield tx
            if when == "before" and not done.is_set():
                done.set()
                pid = tx.execute(text("SELECT pg_backend_pid()")).scalar()
                with store.engine.connect() as other:
                    other.execute(text("SELECT pg_terminate_backend(:pid, 5000)"), {"pid": pid})
        if not done.is_set():
            done.set()
            raise OperationalError("COMMIT", {}, ConnectionError("gone"), connection_invalidated=True)

    monkeypatch.setattr(Store, "writing", broken)
    return done


@pytest.mark.parametrize("when", ["before", "after"])
def test_a_connection_lost_in_the_middle_costs_nobody_an_answer_and_records_nothing_twice(ferrow, monkeypatch, when):
    done = broken_once(monkeypatch, ferrow.store, when)

    async def talk(appender):
        return await appender.submit("ferrow", note("once"))

    receipt = talking(ferrow.store, ferrow.clock, talk)
    assert done.is_set()
    assert (receipt.size, receipt.accepted[0].seq) == (9, 9)
    assert receipt.accepted[0].replayed is (when == "after"), "what was durable already is found by its id"
    assert [one.data for one in sound(ferrow)[8:]] == [{"text": "once"}]


def test_two_who_deadlock_are_both_answered(ferrow, open_store, monkeypatch):
    """PostgreSQL ends one of them; the service tries that one again."""
    Bench(ferrow.store, {**FACILITY, "code": OTHER}).post(setting_up())
    both, crossed, move = threading.Barrier(2), set(), stored.move_head

    def crossing(tx, facility, *arguments):
        move(tx, facility, *arguments)
        if facility not in crossed:
            crossed.add(facility)
            both.wait(20)
            stored.lock_head(tx, OTHER if facility == "ferrow" else "ferrow")

    monkeypatch.setattr(stored, "move_head", crossing)
    store = open_store(ferrow.store.url, pace=Pace(writers=2, readers=2, lock_s=20))

    async def talk(appender):
        return await asyncio.gather(*(appender.submit(code, note()) for code in ("ferrow", OTHER)))

    assert [one.accepted[0].seq for one in talking(store, ferrow.clock, talk)] == [9, 9]


def test_a_database_that_is_set_otherwise_is_used_as_the_ledger_needs_it(ferrow, open_store):
    with ferrow.store.engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
        for setting in ("default_transaction_isolation = 'serializable'", "synchronous_commit = off"):
            connection.execute(text(f"ALTER DATABASE ledger_tests SET {setting}"))
    try:
        store = open_store(ferrow.store.url, pace=Pace(lock_s=2))
        shown = {}
        with store.writing() as tx:
            for name in ("transaction_isolation", "synchronous_commit", "lock_timeout", "application_name"):
                shown[name] = tx.execute(text(f"SHOW {name}")).scalar()
        with store.reading() as tx:
            assert tx.execute(text("SHOW transaction_isolation")).scalar() == "repeatable read"
        assert shown == {
            "transaction_isolation": "read committed",
            "synchronous_commit": "on",
            "lock_timeout": "2s",
            "application_name": "witnessmark",
        }
    finally:
        with ferrow.store.engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
            connection.execute(text("ALTER DATABASE ledger_tests RESET ALL"))


# A group of which one cannot be recorded


def test_one_that_fails_through_a_fault_of_ours_fails_alone(bench, monkeypatch):
    def record(store, memory, submissions, clock):
        if any(one.drafts[0].data.model_dump().get("text") == "bad" for one in submissions):
            raise IntegrityError("INSERT", {}, ValueError("a constraint")) if len(submissions) > 1 else KeyError("ours")
        return append(store, memory, submissions, clock)

    monkeypatch.setattr(room, "append", record)

    async def talk(appender):
        waiting = [appender.submit("ferrow", note(text_)) for text_ in ("one", "bad", "two")]
        return await asyncio.gather(*waiting, return_exceptions=True)

    one, bad, two = talking(bench.store, bench.clock, talk)
    assert isinstance(bad, KeyError)
    assert {one.accepted[0].seq, two.accepted[0].seq} == {9, 10}


def test_large_posts_do_not_all_go_into_one_transaction(bench, monkeypatch):
    monkeypatch.setattr("service.ledger.line.MOST_ENTRIES_IN_GROUP", 2)
    posts = [
        submission([{**entry("step.done", "09:00", {"step": step}), **HERE} for step in (n, n + 1)]) for n in (1, 3)
    ]

    async def talk(appender):
        return await asyncio.gather(*(appender.submit("ferrow", one) for one in posts))

    assert [one.size for one in talking(bench.store, bench.clock, talk)] == [10, 12]


# Clocks


def test_recorded_at_never_runs_backwards_though_the_other_process_has_a_slow_clock(bench):
    fast, slow = Memory("ferrow"), Memory("ferrow")
    ahead, behind = Clock(NOW + timedelta(minutes=20)), Clock(NOW - timedelta(minutes=20))
    just_now = entry("meter.read", "09:15", {"meter": "hours", "reading": "3"}, asset="AIR1", day="2026-07-20")
    for memory, clock, body in (
        (fast, ahead, note("one")),
        (slow, behind, submission(just_now)),  # a quarter past noon, UTC: the ledger knows that it is later than that
        (fast, ahead, note("two")),
        (slow, behind, submission(rebuild("01981000-0000-7000-8000-0000000000cc"))),
    ):
        (outcome,) = append(bench.store, memory, [body], clock)
        assert isinstance(outcome, Receipt), outcome
    assert {one.recorded_at for one in sound(bench)[8:]} == {"2026-07-20T12:20:00.000000Z"}


# What a writer remembers


def test_views_that_were_made_again_elsewhere_are_noticed_though_no_entry_came(bench):
    """As ``witnessmark replay`` does beside a service that runs: the head has not moved, but it has turned."""
    bench.post(rebuild()[:20])
    bench.post(entry("meter.read", "09:00", {"meter": "changeovers", "reading": "5"}, asset="AIR1", day="2026-06-01"))
    with bench.store.writing() as tx:
        for table in ("due", "rebuilds", "uses"):
            tx.execute(text(f"DELETE FROM {table}"))
        stored.turn_head(tx, "ferrow")
    replay(bench.store, "ferrow")
    bench.post(rebuild()[20:])
    sound(bench)


def test_a_judgement_without_news_by_another_writer_is_noticed(bench):
    """A rebuild still open is judged again elsewhere: its view changes, the ledger does not."""
    bench.post(rebuild()[:18])
    bench.group(note("remembered"))
    other = Bench.__new__(Bench)
    other.__dict__ |= {**bench.__dict__, "memory": Memory("ferrow")}
    before = bench.head()
    with bench.store.writing() as tx:
        views.mark(tx, "ferrow", [REBUILD])
    other.group()
    assert (bench.head().size, bench.head().turn) == (before.size, before.turn + 1)
    bench.post(rebuild()[18:])
    sound(bench)


# Marks

MANY, ASSETS = 500, 50


def small(number):
    """A rebuild in four entries, torqued with the wrench whose certificate will come late."""
    about = {"asset": f"R{number % ASSETS}", "rebuild": f"01981000-0000-7000-8000-00000001{number:04x}", "by": "ines"}
    opening = {"procedure": "BR-3", "revision": 1, "reason": "scheduled", "crew": ["ines"]}
    return [
        {**about, **entry("rebuild.opened", "08:00", opening)},
        {**about, **entry("torque.applied", "08:01", {"joint": "plug", "torque": q("31.0 N.m"), "instrument": "TW-5"})},
        {**about, **entry("rebuild.closed", "08:02", {"outcome": "returned_to_service"})},
    ]


def assets():
    data = {"kind": "bank_regulator", "gas": "medical_air"}
    return submission([entry("asset.registered", "07:00", data, asset=f"R{number}") for number in range(ASSETS)])


def late_certificate():
    data = {"instrument": "TW-5", "on": "2026-07-10", "as_left_error_percent": "16"}
    return submission(entry("instrument.calibrated", "12:00", data))


def until_nothing_is_marked(store, facility="ferrow"):
    end = time.monotonic() + 120
    while True:
        with store.reading() as tx:
            if not views.marked(tx, facility, 1):
                return
        assert time.monotonic() < end
        time.sleep(0.01)


def test_a_certificate_that_stirs_up_500_rebuilds_holds_up_nobody(quick_bench, monkeypatch):
    bench = quick_bench
    bench.group(assets())
    for start in range(0, MANY, 100):
        bench.group(submission([one for number in range(start, start + 100) for one in small(number)]))
    judged_before = sum(one.type == "rebuild.judged" for one in bench.entries())
    assert judged_before == MANY
    monkeypatch.setattr("service.ledger.line.JUDGED_EVERY", 0.0)  # between any two groups, as often as may be
    monkeypatch.setattr("service.ledger.line.MOST_IN_GROUP", 1)

    async def talk(appender):
        bodies = [late_certificate(), *(note(str(number)) for number in range(20))]
        told = await asyncio.gather(*(appender.submit("ferrow", body) for body in bodies))
        await asyncio.to_thread(until_nothing_is_marked, bench.store)
        return told

    certificate, *notes = talking(bench.store, bench.clock, talk)
    assert certificate.size - certificate.accepted[0].seq == len(certificate.rebuilds) == 64, "some are judged with it"
    sizes = [certificate.size, *(one.size for one in notes)]
    steps = [after - before for before, after in pairwise(sizes)]
    assert steps == [1 + room.JUDGED_BETWEEN] * 20, "a few between two who wait, never more"
    assert [one.size for one in notes] == [one.accepted[0].seq for one in notes], "and none in their transactions"
    assert sum(one.type == "rebuild.judged" for one in bench.entries()) == judged_before + MANY
    sound(bench)


def test_what_one_facility_has_marked_is_judged_while_another_never_stops_writing(quick_bench, monkeypatch):
    """On SQLite one writer serves both."""
    bench = quick_bench
    ids = [small(number)[0]["rebuild"] for number in range(20)]
    bench.group(assets(), submission([one for number in range(20) for one in small(number)]))
    Bench(bench.store, {**FACILITY, "code": OTHER})
    monkeypatch.setattr("service.ledger.line.JUDGED_EVERY", 0.0)
    monkeypatch.setattr("service.ledger.append.MOST_JUDGED", 0)

    async def talk(appender):
        await appender.submit("ferrow", late_certificate())
        ended = asyncio.ensure_future(asyncio.to_thread(until_nothing_is_marked, bench.store))

        async def never_stops(number):
            while not ended.done():
                renamed = entry("facility.amended", "09:00", {"name": f"Skerry {number}"})
                await appender.submit(OTHER, submission(renamed))

        await asyncio.gather(ended, *(never_stops(number) for number in range(4)))

    talking(bench.store, bench.clock, talk)
    assert [len(bench.judged(id_)) for id_ in ids] == [2] * 20


def test_marks_that_two_processes_find_are_judged_once_each(ferrow, open_store, monkeypatch):
    """Nobody posts anything: both look, both judge, and the head decides whose judgement it is."""
    monkeypatch.setattr(room, "LOOKED_EVERY", 0.05)
    monkeypatch.setattr(room, "MOST_JUDGED", 8)
    ids = [one["rebuild"] for number in range(40) for one in small(number)[:1]]
    ferrow.group(assets(), submission([one for number in range(40) for one in small(number)]))
    stores = [open_store(ferrow.store.url) for _ in range(2)]

    async def talk(_):
        other = Appender(stores[1], ferrow.clock)
        other.start()
        with stores[0].writing() as tx:  # what a third has left behind when it was killed
            stored.lock_head(tx, "ferrow")
            views.mark(tx, "ferrow", ids)
        await asyncio.to_thread(until_nothing_is_marked, stores[0])
        await asyncio.to_thread(other.stop)

    talking(stores[0], ferrow.clock, talk)
    assert [len(ferrow.judged(id_)) for id_ in ids] == [1] * 40, "nothing had changed, so nothing is said again"
    monkeypatch.setattr("service.ledger.append.MOST_JUDGED", 0)
    append(stores[0], Memory("ferrow"), [late_certificate()], ferrow.clock)  # and its process is gone

    async def wait(_):
        other = Appender(stores[1], ferrow.clock)
        other.start()
        await asyncio.to_thread(until_nothing_is_marked, stores[0])
        await asyncio.to_thread(other.stop)

    talking(stores[0], ferrow.clock, wait)
    assert [len(ferrow.judged(id_)) for id_ in ids] == [2] * 40
    sound(ferrow)
