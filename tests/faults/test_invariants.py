"""The invariants see what must not be: each harm done by hand to a sound ledger is named."""

from __future__ import annotations

import hashlib
import json

import pytest
from sqlalchemy import text

from service.store.engine import Store
from tests.faults.invariants import Broken, check
from tests.faults.remembered import Promise, Remembered
from tests.faults.roots import Roots, leaf_hash
from tests.ledger.bench import Bench
from tests.ledger.scenario import rebuild, setting_up
from tests.merkle.reference import mth


@pytest.fixture
def sound(sqlite_url: str) -> str:
    """A ledger with one rebuild, its triggers taken away."""
    store = Store(sqlite_url)
    bench = Bench(store)
    for body in (setting_up(), rebuild()):
        bench.post(body)
    with store.writing() as tx:
        for name in tx.execute(text("SELECT name FROM sqlite_master WHERE type = 'trigger'")).scalars().all():
            tx.execute(text(f'DROP TRIGGER "{name}"'))
    store.close()
    return sqlite_url


def harm(url: str, statement: str) -> None:
    store = Store(url)
    with store.writing() as tx:
        assert tx.execute(text(statement)).rowcount > 0
    store.close()


def test_a_sound_ledger_is_found_sound(sound):
    assert check(sound, "ferrow").entries > 30


@pytest.mark.parametrize(
    ("statement", "told"),
    [
        ("DELETE FROM entries WHERE seq = 5", "without a gap"),
        ("DELETE FROM entries WHERE seq = (SELECT max(seq) FROM entries)", "the head says"),
        ("UPDATE entries SET body = replace(body, 'O-ring', 'o-ring')", "not the hash of what is under it"),
        ("UPDATE entries SET body = body || ' ' WHERE seq = 9", "canonical form"),
        ("UPDATE entries SET type = 'note.added' WHERE seq = 12", "the columns say other"),
        ("UPDATE entries SET recorded_us = recorded_us - 2000000 WHERE seq = 9", "runs backwards"),
        ("UPDATE heads SET recorded_us = recorded_us + 1", "past the head"),
        ("UPDATE heads SET root = zeroblob(32)", "the root is not"),
        ("UPDATE nodes SET hash = zeroblob(32) WHERE position = 6", "not the hash of what is under it"),
        ("DELETE FROM nodes WHERE position = 3", "nodes"),
        ("DELETE FROM due", "view due"),
        ("UPDATE rebuilds SET verdict = 'nonconforming'", "view rebuilds"),
        ("UPDATE assets SET out_of_service = 1", "view assets"),
        ("DELETE FROM uses", "view uses"),
    ],
)
def test_harm_done_behind_the_service_is_named(sound, statement, told):
    harm(sound, statement)
    with pytest.raises(Broken, match=told):
        check(sound, "ferrow")


def known_to_all(url: str) -> Remembered:
    """Clients that remember every entry, truly."""
    store, remembered = Store(url), Remembered()
    with store.reading() as tx:
        rows = tx.execute(text("SELECT seq, id, body FROM entries WHERE facility = 'ferrow'")).all()
    store.close()
    added = {"facility", "seq", "recorded_at", "credential", "scopes"}
    for row in rows:
        body = {name: value for name, value in json.loads(row.body).items() if name not in added}
        if body["type"] not in {"facility.opened", "rebuild.judged"}:
            remembered.acknowledged[row.id] = Promise(body, row.seq, leaf_hash(row.body.encode()).hex())
    return remembered


class TestWhatClientsRemember:
    def test_a_ledger_of_theirs_is_sound(self, sound):
        remembered = known_to_all(sound)
        assert check(sound, "ferrow", remembered).acknowledged == len(remembered.acknowledged) > 30

    def broken(self, sound, remembered, told):
        with pytest.raises(Broken, match=told):
            check(sound, "ferrow", remembered)

    def test_an_acknowledged_entry_that_is_gone(self, sound):
        remembered = known_to_all(sound)
        remembered.acknowledged["lost"] = Promise({"id": "lost"}, 9, "")
        self.broken(sound, remembered, "lost was acknowledged as 9 and is gone")

    def test_one_that_stands_elsewhere_or_says_something_else(self, sound):
        for change, told in (({"seq": 8}, "was acknowledged as 8"), ({"sent": {"id": "x"}}, "is not what was sent")):
            remembered = known_to_all(sound)
            id_, promise = next(iter(remembered.acknowledged.items()))
            values = {"sent": promise.sent, "seq": promise.seq, "leaf_hash": promise.leaf_hash, **change}
            remembered.acknowledged[id_] = Promise(**values)
            self.broken(sound, remembered, told)

    def test_half_of_a_submission(self, sound):
        remembered = known_to_all(sound)
        _, promise = remembered.acknowledged.popitem()
        remembered.sending([promise.sent, {**promise.sent, "id": "other"}])
        self.broken(sound, remembered, "half of a submission is there")

    def test_an_entry_that_was_refused_or_never_sent(self, sound):
        remembered = known_to_all(sound)
        id_, _ = remembered.acknowledged.popitem()
        remembered.refused.add(id_)
        self.broken(sound, remembered, "was refused and is there")
        remembered.refused.clear()
        self.broken(sound, remembered, "was never sent")

    def test_a_root_that_was_told_and_is_none_of_the_ledgers(self, sound):
        remembered = known_to_all(sound)
        remembered.saw(7, "00" * 32)
        self.broken(sound, remembered, "a root was told for 7 entries that is not theirs")

    def test_what_a_client_complains_of(self, sound):
        remembered = known_to_all(sound)
        remembered.complain("an answer after an hour")
        self.broken(sound, remembered, "an answer after an hour")


def test_roots_are_those_of_the_reference_at_every_size():
    entries = [str(number).encode() for number in range(70)]
    roots = Roots([leaf_hash(entry) for entry in entries])
    assert all(roots.root(size) == mth(entries[:size]) for size in range(71))


def test_full_subtrees_are_counted_where_their_last_leaf_is():
    """Three leaves: leaf, leaf, their node, leaf (RFC 9162 section 2.1.1: inner nodes hash 0x01 ‖ left ‖ right)."""
    one, two, three = (leaf_hash(text) for text in (b"a", b"b", b"c"))
    assert list(Roots([one, two, three]).nodes()) == [one, two, hashlib.sha256(b"\x01" + one + two).digest(), three]
