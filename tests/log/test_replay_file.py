"""An export put back into an empty database: the same entries, root and views, or nothing at all."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from service.entries.refusals import Contradiction, NotAFact, ReadOnly
from service.ledger.keys import enrol
from service.merkle.key import Signer
from service.store import audit
from service.store import entries as stored
from service.store.engine import Store
from service.store.migrate import migrate
from tests.ledger.scenario import entry
from tests.log.forging import bodies, forged, signed_again
from tests.log.kept import Kept

METER = entry("meter.read", "12:00", {"meter": "hours", "reading": "12"}, asset="AIR1", by="ines")


@pytest.fixture(params=["sqlite", "postgresql"])
def empty(request: pytest.FixtureRequest, open_store: Callable[[str], Store]) -> Store:
    """A database without the facility, on each engine."""
    return open_store(request.getfixturevalue(f"{request.param}_url"))


def views(store: Store, facility: str) -> dict[str, list[Any]]:
    with store.reading() as tx:
        return {table.name: list(audit.view_rows(tx, table, facility)) for table in audit.COMPARED}


def rows(store: Store, facility: str) -> tuple[Any, ...]:
    with store.reading() as tx:
        head = stored.read_head(tx, facility)
        assert head is not None
        return (
            [tuple(row.items()) for row in audit.entry_rows(tx, facility, 0, 10_000)],
            audit.node_range(tx, facility, 0, 100_000),
            (head.size, bytes(head.root), head.recorded_us),
        )


def test_gives_the_same_entries_tree_root_and_views(whole: Kept, empty: Store) -> None:
    whole.export()
    signed = whole.replay_into(empty)
    assert signed.checkpoint == whole.checkpoint().checkpoint
    facility = whole.bench.facility
    assert rows(empty, facility) == rows(whole.bench.store, facility)
    assert views(empty, facility) == views(whole.bench.store, facility)


def test_goes_on_from_there_under_the_same_key(
    whole: Kept, sqlite_url: str, open_store: Callable[[str], Store]
) -> None:
    store = open_store(sqlite_url)
    whole.export()
    whole.replay_into(store)
    assert enrol(store, whole.key_file, whole.bench.facility, whole.bench.clock()) == whole.key
    signed = whole.signed
    with store.reading() as tx:
        assert signed.checkpoint(tx, whole.bench.facility, signed.last()).note == whole.checkpoint().note


def test_an_older_export_put_back_is_held_against_what_was_signed_even_before_it_has_a_key(
    quick_kept: Kept, tmp_path: Path, open_store: Callable[[str], Store]
) -> None:
    empty = open_store(f"sqlite:///{tmp_path / 'another.sqlite3'}")
    migrate(empty)
    quick_kept.export()
    quick_kept.bench.post(METER)
    quick_kept.checkpoint()
    quick_kept.replay_into(empty)
    signed = quick_kept.signed
    with empty.reading() as tx, pytest.raises(ReadOnly, match="the log has signed"):
        signed.writable(tx, quick_kept.bench.facility)


def test_progress_is_told_for_the_entries_and_then_for_the_views(
    whole: Kept, sqlite_url: str, open_store: Callable[[str], Store]
) -> None:
    whole.export()
    told: list[tuple[int, int]] = []
    whole.replay_into(open_store(sqlite_url), lambda done, size: told.append((done, size)))
    size = len(whole.bench.entries())
    assert told == [(size, size), (size, size)]


class TestLeavesNothingBehind:
    @pytest.fixture
    def target(self, sqlite_url: str, open_store: Callable[[str], Store]) -> Store:
        return open_store(sqlite_url)

    def refused(self, kept: Kept, target: Store, content: bytes, told: str) -> None:
        with pytest.raises(NotAFact, match=told) as refusal:
            kept.replay_into(target, content=content)
        assert refusal.value.code == "not_an_export"
        with target.reading() as tx:
            assert stored.read_head(tx, kept.bench.facility) is None
            assert stored.count(tx, kept.bench.facility) == 0

    def test_when_a_byte_was_changed(self, whole: Kept, target: Store) -> None:
        content = whole.export().replace(b'"value":"60.0"', b'"value":"80.0"')
        self.refused(whole, target, content, '"60.0" was logged, "80.0" stands here')

    def test_when_the_end_is_missing(self, whole: Kept, target: Store) -> None:
        content = b"".join(whole.export().splitlines(keepends=True)[:-1])
        self.refused(whole, target, content, "do not lead to the root that the log has signed")

    def test_when_an_entry_was_added(self, whole: Kept, target: Store) -> None:
        more = signed_again(whole, bodies(whole)).splitlines(keepends=True)[-1]
        self.refused(whole, target, whole.export() + more, "/seq")

    def test_when_contents_are_withheld(self, whole: Kept, target: Store) -> None:
        self.refused(whole, target, whole.export(types={"note.added"}), "the content of an entry is withheld")

    def test_when_somebody_else_signed_it(self, whole: Kept, target: Store) -> None:
        stranger = Signer.from_seed(whole.key.name, bytes(32))
        content = whole.export()
        with pytest.raises(NotAFact):
            whole.replay_into(target, keys=[stranger.key], content=content)

    def test_when_an_id_occurs_twice(self, whole: Kept, target: Store) -> None:
        def lie(entries: list[dict[str, Any]]) -> None:
            entries[7]["id"] = entries[4]["id"]

        self.refused(whole, target, forged(whole, lie), "an id occurs twice")

    def test_when_it_is_no_export(self, whole: Kept, target: Store) -> None:
        self.refused(whole, target, b"some file\n", "the first line is not")

    def test_when_the_facility_is_there_it_stays_as_it_is(self, quick_kept: Kept) -> None:
        quick_kept.export()
        quick_kept.bench.post(METER)
        before = rows(quick_kept.bench.store, quick_kept.bench.facility)
        with pytest.raises(Contradiction):
            quick_kept.replay_into(quick_kept.bench.store)
        assert rows(quick_kept.bench.store, quick_kept.bench.facility) == before
