"""A database put back from an older backup: noticed, read-only, and taken up again only with a word about what happened.

The log must not sign what contradicts what it signed before: somebody may hold a proof of an entry that is gone.
"""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path

import pytest
from pydantic import ValidationError

from service.entries.refusals import Contradiction, ReadOnly, Unsigned
from service.ledger.accept_restore import accept_restore
from service.ledger.export import Withheld, export
from service.ledger.keys import SigningKey
from service.ledger.last_checkpoints import LastCheckpoints
from service.ledger.replay import replay
from service.ledger.signed_logs import SignedLogs
from service.ledger.verify import verify_file
from service.ledger.verify_database import verify_database
from service.merkle.checkpoint import Checkpoint
from service.store import entries as stored
from service.store.engine import Store
from tests.api import scenario
from tests.api.desk import Desk, problem, running
from tests.ledger.scenario import REBUILD
from tests.ledger.scenario import entry as bench_entry
from tests.log.conftest import opened
from tests.log.kept import Kept, unwatched
from tests.log.losing import lose_last

NOTE, OTHER_NOTE = scenario.BESIDE[0], {**scenario.BESIDE[0], "data": {"text": "Another note"}}
READS = (
    "/assets/OX2",
    "/entries",
    "/due",
    "/log/key",
    "/log/keys",
    "/log/tile/0/000.p/2",
    "/log/consistency?from=1&to=2",
)


@contextmanager
def desk_of(url: str, key_file: Path, facility: str = "tidewater") -> Iterator[Desk]:
    """A service started over what is there."""
    with running(url, signing_key_file=key_file) as desk:
        desk.facility = facility
        desk.token = desk.token_for("read", "record", "publish", "countersign", "admin")
        yield desk


@pytest.fixture
def behind(database_url: str, key_file: Path) -> str:
    """On each engine: a log that has signed one entry more than its database holds. The URL."""
    with running(database_url, signing_key_file=key_file) as desk:
        opened(desk, key_file)
        desk.record(NOTE)
        assert desk.get("/log/checkpoint").status_code == 200
    lose_last(database_url, "tidewater", 1)
    return database_url


class TestAnOlderDatabase:
    def test_is_read_only_and_says_why(self, behind: str, key_file: Path) -> None:
        with desk_of(behind, key_file) as desk:
            size = desk.size()
            answer = desk.post("/entries", OTHER_NOTE)
            problem(answer, 503, "restored_backup")
            assert answer.headers["retry-after"] == "300"
            assert f"the log has signed {size + 1} entries and the database holds {size}" in answer.json()["detail"]
            problem(desk.post("/assets", {"tag": "OX9", "kind": "manifold", "gas": "oxygen"}), 503, "restored_backup")
            assert desk.size() == size

    def test_is_read_as_ever(self, behind: str, key_file: Path) -> None:
        with desk_of(behind, key_file) as desk:
            for path in READS:
                assert desk.get(path).status_code == 200, path

    def test_signs_nothing(self, behind: str, key_file: Path) -> None:
        with desk_of(behind, key_file) as desk:
            for path in ("/log/checkpoint", "/log/proof?seq=1"):
                problem(desk.get(path), 503, "restored_backup")
            content = "— witness.example/north AAAA\n".encode()
            answer = desk.post("/log/cosignatures", content=content, headers={"Content-Type": "text/plain"})
            problem(answer, 503, "restored_backup")

    def test_stays_so_over_a_restart(self, behind: str, key_file: Path) -> None:
        for _ in range(2):
            with desk_of(behind, key_file) as desk:
                problem(desk.post("/entries", OTHER_NOTE), 503, "restored_backup")

    def test_is_taken_up_again_once_an_operator_has_said_what_happened(self, behind: str, key_file: Path) -> None:
        with desk_of(behind, key_file) as desk:
            size, last = desk.size(), LastCheckpoints(key_file)
            signed = last.all()[scenario.FACILITY["origin"]]
            problem(desk.post("/entries", OTHER_NOTE), 503)
            seq = accept_restore(desk.ledger.store, last, "tidewater", "Disk failed; Monday's backup", desk.clock())
            assert seq == size + 1
            (said,) = desk.get("/entries?type=ledger.restored").json()["items"]
            assert said["data"] == {
                "reason": "Disk failed; Monday's backup",
                "signed_size": signed.size,
                "signed_root": signed.root.hex(),
                "found_size": size,
            }
            assert said["credential"] == "server"
            assert desk.record(OTHER_NOTE)["size"] == seq + 1
            assert desk.get("/log/checkpoint").status_code == 200

    def test_that_was_accepted_replays_and_verifies_as_any_other(self, behind: str, key_file: Path) -> None:
        store = Store(behind)
        accept_restore(store, LastCheckpoints(key_file), "tidewater", "Disk failed", scenario.NOW)
        store.close()
        with desk_of(behind, key_file) as desk:
            desk.record(OTHER_NOTE)
            last, file = LastCheckpoints(key_file), key_file.with_name("export")
            signed = SignedLogs(SigningKey(key_file), last)
            export(desk.ledger.store, signed, "tidewater", file, Withheld(), unwatched)
            assert verify_file(file).wrong == []
            replay(desk.ledger.store, "tidewater")
            assert verify_database(desk.ledger.store, last, "tidewater", unwatched).wrong == []


def test_a_database_of_the_right_size_and_another_past_is_noticed_too(behind: str, key_file: Path) -> None:
    """The lost entry's place was taken by another one, by a service that did not remember."""
    remembered = key_file.with_name("witnessmark.checkpoints.json")
    aside = remembered.rename(remembered.with_name("aside"))
    with desk_of(behind, key_file) as desk:
        desk.record(OTHER_NOTE)
        size = desk.size()
    aside.rename(remembered)
    with desk_of(behind, key_file) as desk:
        answer = desk.post("/entries", NOTE)
        problem(answer, 503, "restored_backup")
        assert f"the first {size} entries are not those that the log has signed" in answer.json()["detail"]


def test_a_backup_put_back_under_a_running_service_is_noticed_before_anything_is_signed(signed_desk: Desk) -> None:
    signed_desk.record(NOTE)
    assert signed_desk.get("/log/checkpoint").status_code == 200
    lose_last(signed_desk.ledger.store.url, "tidewater", 1)
    problem(signed_desk.get("/log/checkpoint"), 503, "restored_backup")
    problem(signed_desk.post("/entries", OTHER_NOTE), 503, "restored_backup")


def test_what_was_recorded_but_never_signed_is_remembered_at_a_clean_stop(sqlite_url: str, key_file: Path) -> None:
    path, backup = Path(sqlite_url.removeprefix("sqlite:///")), key_file.with_name("backup.sqlite3")
    with running(sqlite_url, signing_key_file=key_file) as desk:
        opened(desk, key_file)
        with closing(sqlite3.connect(path)) as here, closing(sqlite3.connect(backup)) as there:
            here.backup(there)
        desk.record(NOTE)
    for one in path.parent.glob(f"{path.name}*"):
        one.unlink()
    shutil.copy(backup, path)
    with desk_of(sqlite_url, key_file) as desk:
        problem(desk.post("/entries", OTHER_NOTE), 503, "restored_backup")


def test_where_the_logs_end_is_remembered_while_the_service_runs(quick_desk: Desk, key_file: Path) -> None:
    """So that a crash, which leaves no time to remember, does not hide that an older backup was put back."""
    quick_desk.record(NOTE)
    quick_desk.ledger.signed.remember_all(quick_desk.ledger.store)
    assert LastCheckpoints(key_file).all()[scenario.FACILITY["origin"]].size == quick_desk.size()


def test_a_log_that_is_held_is_not_remembered_as_if_it_were_whole(behind: str, key_file: Path) -> None:
    before = LastCheckpoints(key_file).all()
    with desk_of(behind, key_file) as desk:
        desk.ledger.signed.remember_all(desk.ledger.store)
    assert LastCheckpoints(key_file).all() == before


def test_there_is_nothing_to_accept_where_nothing_was_lost(quick_desk: Desk, key_file: Path) -> None:
    quick_desk.get("/log/checkpoint")
    with pytest.raises(Contradiction) as refused:
        accept_restore(quick_desk.ledger.store, LastCheckpoints(key_file), "tidewater", "No reason", scenario.NOW)
    assert refused.value.code == "nothing_to_accept"


def test_a_reason_that_says_nothing_is_not_taken(behind: str, key_file: Path) -> None:
    store = Store(behind)
    with pytest.raises(ValidationError):
        accept_restore(store, LastCheckpoints(key_file), "tidewater", "", scenario.NOW)
    store.close()
    with desk_of(behind, key_file) as desk:
        problem(desk.post("/entries", OTHER_NOTE), 503, "restored_backup")


class TestTheFile:
    def test_only_ever_grows(self, key_file: Path) -> None:
        last = LastCheckpoints(key_file)
        for size in (4, 9, 7):
            last.remember(
                Checkpoint("a.example/log", size, bytes([size]) * 32), Checkpoint("b.example/log", 3, bytes(32))
            )
        assert {origin: one.size for origin, one in last.all().items()} == {"a.example/log": 9, "b.example/log": 3}

    @pytest.mark.parametrize(
        "content", [b"", b"[]", b"{", b'{"a": 3}', b'{"a": {"root": "AA==", "size": 3}}', b'{"a": {"size": 3}}']
    )
    def test_that_cannot_be_read_stops_signing_rather_than_forgetting(self, key_file: Path, content: bytes) -> None:
        last = LastCheckpoints(key_file)
        last.path.write_bytes(content)
        with pytest.raises(Unsigned, match="cannot be read"):
            last.all()
        with pytest.raises(Unsigned):
            last.remember(Checkpoint("a.example/log", 4, bytes(32)))
        assert last.path.read_bytes() == content

    def test_is_the_old_one_or_the_new_one_when_the_disk_is_full(
        self, key_file: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        last = LastCheckpoints(key_file)
        last.remember(Checkpoint("a.example/log", 4, bytes(32)))

        def full(_: int) -> None:
            raise OSError(28, "No space left on device")

        monkeypatch.setattr("os.fsync", full)
        with pytest.raises(Unsigned, match="No space left on device"):
            last.remember(Checkpoint("a.example/log", 5, bytes(32)))
        assert last.all()["a.example/log"].size == 4


def test_what_is_not_committed_is_not_signed(kept: Kept) -> None:
    before = kept.checkpoint().checkpoint
    with suppress(_Undone), kept.bench.store.writing() as tx:
        stored.move_head(tx, kept.bench.facility, before.size + 1, bytes(32), 0)
        assert kept.checkpoint().checkpoint == before
        raise _Undone
    assert kept.checkpoint().checkpoint == before


class _Undone(Exception):
    """Ends a transaction that is not to be."""


def test_a_process_that_reads_late_does_not_take_anothers_newer_checkpoint_for_a_loss(kept: Kept) -> None:
    """What was signed last is read before the database: what others sign meanwhile is not held against this state."""
    signed = kept.signed
    last = signed.last()
    with kept.bench.store.reading() as tx:
        here = signed.checkpoint(tx, kept.bench.facility, last)
        kept.bench.post(
            bench_entry("note.added", "11:30", {"text": "later"}, asset="AIR1-LB", rebuild=REBUILD, by="ines")
        )
        newer = kept.checkpoint()
        again = signed.checkpoint(tx, kept.bench.facility, last)
    assert again.checkpoint.size < newer.checkpoint.size
    with kept.bench.store.reading() as tx, pytest.raises(ReadOnly):
        signed.checkpoint(
            tx, kept.bench.facility, {here.checkpoint.origin: Checkpoint(here.checkpoint.origin, 10_000, bytes(32))}
        )
