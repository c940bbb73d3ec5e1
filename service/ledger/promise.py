"""An answer that a coroutine awaits and another thread gives, many of them handed over at one stroke.

Waking the event loop costs more than most answers, so it is woken once for all answers given since it last looked.
"""

from __future__ import annotations

import asyncio
from collections import deque
from contextlib import suppress
from typing import Any, Generic, TypeVar
from weakref import WeakKeyDictionary

A = TypeVar("A")


class _Mailbox:
    """Answers on their way to one event loop."""

    def __init__(self, loop: asyncio.AbstractEventLoop) -> None:
        self._loop = loop
        self._answers: deque[tuple[asyncio.Future[Any], object, Exception | None]] = deque()
        self._called = False

    def put(self, future: asyncio.Future[Any], answer: object, trouble: Exception | None) -> None:
        """From any thread."""
        self._answers.append((future, answer, trouble))
        if not self._called:
            self._called = True
            with suppress(RuntimeError):  # a loop that is closed has nobody left to tell
                self._loop.call_soon_threadsafe(self._empty)

    def _empty(self) -> None:
        self._called = False  # first: what is put from here on calls again
        while self._answers:
            future, answer, trouble = self._answers.popleft()
            if future.done():
                continue  # whoever asked has gone away
            if trouble is not None:
                future.set_exception(trouble)
            else:
                future.set_result(answer)


_mailboxes: WeakKeyDictionary[asyncio.AbstractEventLoop, _Mailbox] = WeakKeyDictionary()


class Promise(Generic[A]):
    """Made in the running event loop, which awaits ``answer``; kept from any thread by one of the ``set_…``."""

    __slots__ = ("_mailbox", "answer")

    def __init__(self) -> None:
        loop = asyncio.get_running_loop()
        self.answer: asyncio.Future[A] = loop.create_future()
        self._mailbox = _mailboxes.get(loop) or _mailboxes.setdefault(loop, _Mailbox(loop))

    def set_running_or_notify_cancel(self) -> bool:
        """Does somebody still wait for it?"""
        return not self.answer.cancelled()

    def set_result(self, answer: A) -> None:
        """Give the answer."""
        self._mailbox.put(self.answer, answer, None)

    def set_exception(self, trouble: Exception) -> None:
        """Say why there is none."""
        self._mailbox.put(self.answer, None, trouble)
