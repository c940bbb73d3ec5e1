"""One appender a process: callers share transactions, each is answered after the commit, and nothing stops it."""

from __future__ import annotations

import asyncio
import threading
import time

import pytest
from sqlalchemy.exc import OperationalError

from service.entries.refusals import Busy, NotAFact, Unknown
from service.ledger import appender as room
from service.ledger.append import append
from service.ledger.appender import Appender
from service.store import views
from tests.ledger.bench import Bench, submission
from tests.ledger.scenario import FACILITY, REBUILD, entry, rebuild, setting_up

HERE = {"asset": "AIR1-LB", "rebuild": REBUILD}
HIGH = entry(
    "instrument.calibrated", "12:00", {"instrument": "TW-5", "on": "2026-07-10", "as_left_error_percent": "16"}
)


def note(text="ok"):
    return submission({**entry("note.added", "09:00", {"text": text}), **HERE})


def marks(bench):
    with bench.store.reading() as tx:
        return views.marked(tx, bench.facility, 100)


def until_nothing_is_marked(bench):
    end = time.monotonic() + 10
    while marks(bench) and time.monotonic() < end:
        time.sleep(0.01)
    assert marks(bench) == []


def run(bench, talk, *, before=lambda _: None):
    """Talk to an appender of the bench's store; ``before`` happens while nothing is taken yet."""

    async def conversation():
        appender = Appender(bench.store, bench.clock)
        waiting = before(appender)
        await asyncio.sleep(0.02)
        appender.start()
        try:
            return await asyncio.wait_for(talk(appender, waiting), 20)
        finally:
            appender.stop()

    return asyncio.run(conversation())


def test_all_who_wait_share_one_transaction_and_each_gets_an_answer_of_its_own(bench):
    def queue(appender):
        bodies = [
            note("one"),
            submission({**entry("step.done", "09:00", {"step": 1}), "asset": "X", "rebuild": REBUILD}),
            note("two"),
        ]
        return [asyncio.ensure_future(appender.submit("ferrow", body)) for body in bodies]

    async def talk(_, waiting):
        return await asyncio.gather(*waiting, return_exceptions=True)

    one, refused, two = run(bench, talk, before=queue)
    assert (one.accepted[0].seq, two.accepted[0].seq, one.size, two.size) == (9, 10, 10, 10)
    assert isinstance(refused, NotAFact)


def test_an_unknown_facility_is_told_to_its_own_callers_only(bench):
    async def talk(appender, _):
        return await asyncio.gather(
            appender.submit("nowhere", note()), appender.submit("ferrow", note()), return_exceptions=True
        )

    lost, kept = run(bench, talk)
    assert isinstance(lost, Unknown)
    assert kept.accepted[0].seq == 9


def test_a_caller_who_goes_away_takes_nobody_with_him(bench):
    def queue(appender):
        waiting = [asyncio.ensure_future(appender.submit("ferrow", note(text))) for text in ("gone", "stays")]
        asyncio.get_running_loop().call_soon(waiting[0].cancel)
        return waiting

    async def talk(appender, waiting):
        stays = await waiting[1]
        assert waiting[0].cancelled()
        return stays, await appender.submit("ferrow", note("later"))

    stays, later = run(bench, talk, before=queue)
    assert [one.data["text"] for one in bench.entries()[8:]] == ["stays", "later"]
    assert (stays.accepted[0].seq, later.accepted[0].seq) == (9, 10)


def test_a_caller_who_goes_away_while_his_group_is_written_takes_nobody_with_him(bench, monkeypatch):
    async def talk(appender, _):
        loop, begun = asyncio.get_running_loop(), asyncio.Event()

        def slow(*arguments):
            loop.call_soon_threadsafe(begun.set)
            asyncio.run_coroutine_threadsafe(left.wait(), loop).result(10)
            return append(*arguments)

        left = asyncio.Event()
        monkeypatch.setattr(room, "append", slow)
        impatient = asyncio.ensure_future(appender.submit("ferrow", note("impatient")))
        await begun.wait()
        impatient.cancel()
        await asyncio.sleep(0)
        monkeypatch.setattr(room, "append", append)
        left.set()
        return await appender.submit("ferrow", note("later"))

    run(bench, talk)
    assert [one.data["text"] for one in bench.entries()[8:]] == ["impatient", "later"]


def test_a_stop_finishes_what_was_taken(bench):
    def queue(appender):
        return [asyncio.ensure_future(appender.submit("ferrow", note(str(number)))) for number in range(20)]

    async def talk(appender, waiting):
        appender.stop()
        return await asyncio.gather(*waiting)

    receipts = []

    async def conversation():
        appender = Appender(bench.store, bench.clock)
        waiting = queue(appender)
        await asyncio.sleep(0)
        appender.start()
        receipts.extend(await talk(appender, waiting))

    asyncio.run(conversation())
    assert sorted(one.accepted[0].seq for one in receipts) == list(range(9, 29))


def test_more_than_can_wait_are_told_to_come_again(bench, monkeypatch):
    monkeypatch.setattr(room, "MOST_WAITING", 2)

    def queue(appender):
        return [asyncio.ensure_future(appender.submit("ferrow", note(str(number)))) for number in range(3)]

    async def talk(_, waiting):
        return await asyncio.gather(*waiting, return_exceptions=True)

    *taken, refused = run(bench, talk, before=queue)
    assert [one.accepted[0].seq for one in taken] == [9, 10]
    assert isinstance(refused, Busy)
    assert refused.retry_after >= 1


@pytest.mark.parametrize(
    ("trouble", "told"),
    [(OperationalError("INSERT", {}, OSError("disk full")), Busy), (KeyError("a fault of ours"), KeyError)],
)
def test_what_goes_wrong_is_told_and_the_appender_lives_on(bench, monkeypatch, trouble, told):
    def broken(*_):
        raise trouble

    async def talk(appender, _):
        monkeypatch.setattr(room, "append", broken)
        with pytest.raises(told):
            await appender.submit("ferrow", note("lost"))
        monkeypatch.setattr(room, "append", append)
        return await appender.submit("ferrow", note("kept"))

    assert run(bench, talk).accepted[0].seq == 9
    assert bench.entries()[-1].data == {"text": "kept"}


@pytest.mark.parametrize("trouble", [OperationalError("SELECT", {}, OSError("gone")), KeyError("a fault of ours")])
def test_a_judgement_that_fails_is_left_for_later_and_the_appender_lives_on(bench, monkeypatch, trouble):
    bench.post(rebuild())
    with bench.store.writing() as tx:
        views.mark(tx, "ferrow", [REBUILD])

    tried = threading.Event()

    def broken(*_):
        tried.set()
        raise trouble

    async def talk(appender, _):
        await asyncio.to_thread(tried.wait, 10)
        reading = {"meter": "hours", "reading": "1"}
        return await appender.submit("ferrow", submission(entry("meter.read", "09:00", reading, asset="AIR1")))

    monkeypatch.setattr(room, "judge_marked", broken)
    monkeypatch.setattr("service.ledger.append.MOST_JUDGED", 0)
    assert run(bench, talk).accepted[0].replayed is False
    assert marks(bench) == [REBUILD]


def three_rebuilds(bench):
    ids = [f"01981000-0000-7000-8000-0000000000{digits}" for digits in ("a1", "a2", "a3")]
    for number, id_ in enumerate(ids):
        bench.post(rebuild(id_, day=f"2026-07-1{4 + number}"))
    return ids


def test_what_an_earlier_process_left_marked_is_judged_at_the_start(bench):
    ids = three_rebuilds(bench)
    with bench.store.writing() as tx:
        views.mark(tx, "ferrow", ids)

    async def talk(_, __):
        await asyncio.to_thread(until_nothing_is_marked, bench)

    run(bench, talk)
    assert [len(bench.judged(id_)) for id_ in ids] == [1, 1, 1]


def test_what_one_facility_has_marked_is_judged_though_another_goes_on_writing(bench, monkeypatch):
    ids = three_rebuilds(bench)
    Bench(bench.store, {**FACILITY, "code": "skerry"}).post(setting_up())
    monkeypatch.setattr("service.ledger.append.MOST_JUDGED", 1)
    monkeypatch.setattr("service.ledger.line.MOST_IN_GROUP", 1)

    def queue(appender):
        return [
            asyncio.ensure_future(appender.submit(*one)) for one in (("ferrow", submission(HIGH)), ("skerry", note()))
        ]

    async def talk(_, waiting):
        await asyncio.gather(*waiting)
        await asyncio.to_thread(until_nothing_is_marked, bench)

    run(bench, talk, before=queue)
    assert [bench.judged(id_)[-1]["verdict"] for id_ in ids] == ["nonconforming"] * 3
