"""An answer given by another thread: all that were given are handed over at one stroke."""

from __future__ import annotations

import asyncio
import threading

import pytest

from service.ledger.promise import Promise


def elsewhere(work):
    thread = threading.Thread(target=work)
    thread.start()
    thread.join()


class Counting:
    """A loop that counts how often it is woken."""

    def __init__(self, loop):
        self.loop, self.calls = loop, 0

    def call_soon_threadsafe(self, call):
        self.calls += 1
        self.loop.call_soon_threadsafe(call)


def test_a_whole_group_is_answered_by_waking_the_loop_once():
    async def talk():
        promises = [Promise() for _ in range(64)]
        wake = promises[0]._mailbox._loop = Counting(asyncio.get_running_loop())
        elsewhere(lambda: [promise.set_result(number) for number, promise in enumerate(promises)])
        answers = await asyncio.gather(*(promise.answer for promise in promises))
        return answers, wake.calls

    assert asyncio.run(talk()) == (list(range(64)), 1)


def test_an_answer_given_later_wakes_the_loop_again():
    async def talk():
        answers = []
        for number in range(3):
            promise = Promise()
            elsewhere(lambda promise=promise, number=number: promise.set_result(number))
            answers.append(await promise.answer)
        return answers

    assert asyncio.run(talk()) == [0, 1, 2]


def test_a_refusal_is_raised_where_it_is_awaited():
    async def talk():
        promise = Promise()
        elsewhere(lambda: promise.set_exception(ValueError("kept out")))
        await promise.answer

    with pytest.raises(ValueError, match="kept out"):
        asyncio.run(talk())


def test_who_has_gone_away_is_known_and_does_not_stop_the_others():
    async def talk():
        gone, stays = Promise(), Promise()
        gone.answer.cancel()
        told = gone.set_running_or_notify_cancel(), stays.set_running_or_notify_cancel()
        elsewhere(lambda: (gone.set_result("nobody"), stays.set_result("somebody")))
        return told, await stays.answer

    assert asyncio.run(talk()) == ((False, True), "somebody")


def test_an_answer_for_a_loop_that_has_ended_hurts_nobody():
    async def ask():
        return Promise()

    asyncio.run(ask()).set_result("too late")
