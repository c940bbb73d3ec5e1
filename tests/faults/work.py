"""What a client posts: rebuilds a few entries at a time, readings, certificates, and things that must be refused."""

from __future__ import annotations

import json
import uuid
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any, NamedTuple

from tests.bench import scene
from tests.faults.dice import dice

JSON = dict[str, Any]
NEW, AGAIN, CONTRADICTS, NOT_A_FACT = {200, 201}, {200}, {409}, {422}
"""The statuses that are right; 200 for something new where an earlier try was recorded and its answer lost."""


class Post(NamedTuple):
    """Entries to send as one, and the statuses that answer them rightly."""

    entries: Sequence[JSON]
    wanted: set[int]


def setting_up() -> Post:
    """What the office records first: procedure, instruments, certificates."""
    wanted = [
        {"type": "procedure.published", "data": scene.PROCEDURE},
        *({"type": "instrument.registered", "data": data} for data in scene.INSTRUMENTS),
        *({"type": "instrument.calibrated", "data": data} for data in scene.CALIBRATIONS),
    ]
    return Post([{"id": str(uuid.uuid4()), "occurred_at": "2026-01-20T08:00:00Z", **one} for one in wanted], NEW)


class Worker:
    """One client's work, drawn by its own dice. Manifolds of its own, instruments shared with all."""

    def __init__(self, number: int, seed: object = 0) -> None:
        self.dice = dice(seed, number)
        self._number, self._manifolds, self._readings = number, 0, 0
        self._done: list[Post] = []
        self._rebuild: list[JSON] = []

    def posts(self) -> Iterator[Post]:
        """Without end; the next is drawn after the one before is settled."""
        yield self._keep(self._manifold())
        while True:
            yield self._drawn(self.dice.random())

    def _drawn(self, at: float) -> Post:
        if at < 0.50:
            return self._keep(self._piece())
        if at < 0.72:
            return self._keep([self.reading()])
        if at < 0.80:
            return Post(self.dice.choice(self._done).entries, AGAIN)
        if at < 0.85:
            return self._contradiction()
        if at < 0.89:
            return Post([self.reading(), {**self.reading(), "asset": "nowhere"}], NOT_A_FACT)
        if at < 0.93:
            return self._keep([self._entry("asset.amended", {"patch": {"location": f"room {self.dice.random()}"}})])
        if at < 0.94:
            return self._keep([self._certificate()])
        return self._keep([self.reading() for _ in range(self.dice.randint(2, 12))])

    def facts(self) -> Post:
        """Facts about the manifold at hand, in no need of any other post: some of the rebuild, or readings."""
        if self._rebuild and self.dice.random() < 0.5:
            return self._keep(self._piece())
        return self._keep([self.reading() for _ in range(self.dice.randint(1, 12))])

    def _keep(self, entries: list[JSON]) -> Post:
        post = Post(entries, NEW)
        self._done = [*self._done[-40:], post]
        return post

    def _mark(self) -> str:
        return scene.marked(self._number * 1_000_000 + self._manifolds)

    def _manifold(self) -> list[JSON]:
        """Three assets at once, and a rebuild to do on one of them: sometimes the facts arrive in any order."""
        self._manifolds += 1
        facts = json.loads(json.dumps(scene.rebuild(60)).replace(scene.MARK, self._mark()))
        ready = facts[:-3] if self.dice.random() < 0.5 else facts
        if self.dice.random() < 0.3:
            self.dice.shuffle(ready)
        self._rebuild = ready
        return [
            json.loads(json.dumps(self._entry("asset.registered", data, tag)).replace(scene.MARK, self._mark()))
            for tag, data in scene.REGISTER
        ]

    def _piece(self) -> list[JSON]:
        if not self._rebuild:
            return self._manifold()
        count = self.dice.choice((1, 1, 2, 5, 12))
        piece, self._rebuild = self._rebuild[:count], self._rebuild[count:]
        return piece

    def reading(self) -> JSON:
        """A meter reading, each another."""
        self._readings += 1
        at = datetime(2026, 2, 1, tzinfo=UTC) + timedelta(minutes=self._readings)
        data = {"meter": "changeovers", "reading": str(100 + self._readings)}
        return self._entry("meter.read", data, at=at.strftime("%Y-%m-%dT%H:%M:%SZ"))

    def _certificate(self) -> JSON:
        """Everything torqued with this wrench is judged again."""
        error = f"{self.dice.uniform(-4, 9):.1f}"
        entry = self._entry("instrument.calibrated", {**scene.CALIBRATIONS[0], "as_left_error_percent": error})
        del entry["asset"]
        return entry

    def _contradiction(self) -> Post:
        """An id that is used, with other content, beside something new: both are refused."""
        used = self.dice.choice(self._done).entries[-1]
        other = {**used, "by": f"somebody-{self.dice.randint(1, 10**9)}"}
        return Post([self.reading(), other], CONTRADICTS)

    def _entry(self, type_: str, data: JSON, asset: str = scene.MANIFOLD, at: str = "2026-02-01T00:00:00Z") -> JSON:
        tag = asset.replace(scene.MARK, self._mark())
        id_ = str(uuid.UUID(int=self.dice.getrandbits(128), version=4))
        return {"id": id_, "type": type_, "occurred_at": at, "asset": tag, "data": data}
