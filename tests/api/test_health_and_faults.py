"""Alive, ready, and what a caller is told when something breaks."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import event, text
from sqlalchemy.engine import make_url
from sqlalchemy.exc import DatabaseError, ProgrammingError

from service.api.shapes import CheckList
from service.checks.catalogue import CHECKS
from service.store.engine import Store
from tests.api import scenario
from tests.api.desk import Desk, problem, running


class TestAliveAndReady:
    def test_both_are_answered_without_a_token(self, quiet_desk: Desk) -> None:
        for path in ("//livez", "//readyz"):
            assert quiet_desk.get(path, token="").json() == {"status": "ok"}

    @pytest.fixture
    def bare(self, tmp_path: Path) -> Iterator[Desk]:
        with running(f"sqlite:///{tmp_path / 'bare.sqlite3'}") as desk:
            yield desk

    def test_a_database_that_is_not_migrated_is_not_ready(self, bare: Desk) -> None:
        answer = bare.get("//readyz")
        problem(answer, 503, "busy")
        assert answer.headers["retry-after"] == "5"
        assert bare.get("//livez").status_code == 200, "the process runs all the same"

    def test_a_database_of_an_older_revision_is_not_ready(self, database_url: str) -> None:
        with running(database_url) as desk:
            assert desk.get("//readyz").status_code == 200
            with desk.ledger.store.writing() as tx:
                tx.execute(text("UPDATE alembic_version SET version_num = 'older'"))
            problem(desk.get("//readyz"), 503)

    def test_a_database_that_is_gone_is_not_ready_and_callers_are_told_to_try_again(self, postgresql_url: str) -> None:
        with running(postgresql_url) as desk:
            desk.open()
            assert desk.get("/assets").status_code == 200
            _take_away(postgresql_url)
            problem(desk.get("//readyz"), 503)
            answer = desk.get("/assets")
            assert problem(answer, 503, "busy") == []
            assert answer.headers["retry-after"] == "5"
            problem(desk.post("/entries", scenario.BODY), 503, "busy")
            assert desk.get("//livez").status_code == 200

    def test_a_ledger_that_cannot_be_written_refuses_and_takes_it_later(self, sqlite_url: str) -> None:
        """SQLite's way of a full disk: not a page more."""
        with running(sqlite_url) as desk:
            desk.open()
            with desk.ledger.store.reading() as tx:
                pages = tx.execute(text("PRAGMA page_count")).scalar()
            self.limit(desk, f"{pages}")
            problem(desk.post("/entries", scenario.registered()), 503, "busy")
            self.limit(desk, "1000000")
            assert desk.post("/entries", scenario.registered()).status_code == 201

    def test_a_disk_that_cannot_be_read_is_the_databases_trouble_and_a_wrong_question_is_ours(
        self, empty_desk: Desk, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """SQLite, extended result code SQLITE_IOERR_CORRUPTFS: a read that fails with EIO is told as a damaged file."""
        unread = DatabaseError("SELECT", {}, sqlite3.DatabaseError("database disk image is malformed"))
        wrong = ProgrammingError("SELECT", {}, sqlite3.ProgrammingError("no such table"))
        for trouble, status, code in ((unread, 503, "busy"), (wrong, 500, "our_fault")):

            def fails(trouble: Exception = trouble) -> None:
                raise trouble

            empty_desk.get("/assets")  # the caller is known for a moment
            with monkeypatch.context() as broken:
                broken.setattr(empty_desk.ledger.store, "reading", fails)
                problem(empty_desk.get("/assets"), status, code)
            assert empty_desk.get("/assets").status_code == 200

    def limit(self, desk: Desk, pages: str) -> None:
        """The limit belongs to a connection, and the store keeps one ready for the appender."""
        desk.ledger.store.close()

        @event.listens_for(desk.ledger.store.engine, "connect")
        def _limited(connection, _record) -> None:
            connection.execute(f"PRAGMA max_page_count={pages}")


def _take_away(url: str) -> None:
    """Drop the database under its connections; a closed one keeps its name, for who cleans up."""
    parsed = make_url(url)
    store = Store(parsed.set(database="postgres").render_as_string(hide_password=False))
    with store.engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
        connection.execute(text(f'DROP DATABASE "{parsed.database}" WITH (FORCE)'))
        connection.execute(text(f'CREATE DATABASE "{parsed.database}" ALLOW_CONNECTIONS false'))
    store.close()


class TestWhenTheServiceIsAtFault:
    def broken(self, monkeypatch: pytest.MonkeyPatch, desk: Desk) -> None:
        async def fails(_: object) -> None:
            raise RuntimeError("the secret is swordfish")

        monkeypatch.setattr(desk.ledger, "read", fails)

    def test_the_caller_is_told_so_and_nothing_of_the_cause(
        self, empty_desk: Desk, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
    ) -> None:
        self.broken(monkeypatch, empty_desk)
        answer = empty_desk.get("/assets")
        assert problem(answer, 500, "our_fault") == []
        assert "swordfish" not in answer.text
        assert "RuntimeError" not in answer.text
        assert "swordfish" in capsys.readouterr().out, "the log has the cause"

    def test_a_fault_while_writing_is_answered_and_the_next_submission_is_taken(
        self, desk: Desk, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        def fails() -> None:
            raise RuntimeError("the secret is swordfish")

        with monkeypatch.context() as broken:
            broken.setattr(desk.ledger.store, "writing", fails)
            answer = desk.post("/entries", scenario.BODY)
        problem(answer, 500, "our_fault")
        assert "swordfish" not in answer.text
        assert desk.post("/entries", scenario.BODY).status_code == 201


def test_a_caller_who_hangs_up_in_the_middle_of_a_body_is_no_fault_in_the_log(
    desk: Desk, capsys: pytest.CaptureFixture[str]
) -> None:
    size = desk.size()

    async def hang_up() -> int:
        """Straight to the app: a client library finishes what it begins."""
        said, told = [], iter([{"type": "http.request", "body": b'[{"ty', "more_body": True}])
        headers = [(b"authorization", f"Bearer {desk.token}".encode()), (b"content-type", b"application/json")]
        path = f"/v1/facilities/{desk.facility}/entries"
        scope = {"type": "http", "http_version": "1.1", "method": "POST", "path": path, "raw_path": path.encode(),
                 "query_string": b"", "headers": headers, "scheme": "http", "server": ("ledger.test", 80)}  # fmt: skip

        async def receive() -> dict[str, object]:
            return next(told, {"type": "http.disconnect"})

        async def send(message: dict[str, object]) -> None:
            said.append(message)

        await desk.app(scope, receive, send)
        return int(said[0]["status"])

    assert desk.on_loop(hang_up) == 400
    assert desk.size() == size
    assert "failed" not in capsys.readouterr().out


class TestAddressesAndMethods:
    @pytest.mark.parametrize(
        "path", ["//", "//v2", "//v1/facilities", "//v1/facilities/tidewater", "/asset", "/assets/"]
    )
    def test_an_address_nobody_has_is_not_found(self, quiet_desk: Desk, path: str) -> None:
        problem(quiet_desk.get(path), 404, "not_found")

    @pytest.mark.parametrize(
        ("method", "path", "allowed"),
        [
            ("DELETE", "/assets", "GET, POST"),
            ("PUT", "/assets/OX2", "GET, PATCH"),
            ("PATCH", "/entries", "GET, POST"),
            ("POST", "/due", "GET"),
            ("DELETE", "/rebuilds/x", "GET"),
            ("POST", "//livez", "GET"),
            ("POST", "//openapi.json", "GET"),
        ],
    )
    def test_a_method_it_does_not_have_is_told_those_it_has(
        self, quiet_desk: Desk, method: str, path: str, allowed: str
    ) -> None:
        """RFC 9110 section 15.5.6: a 405 names every method of the address."""
        answer = quiet_desk.call(method, path)
        assert problem(answer, 405, "method_not_allowed") == []
        assert set(answer.headers["allow"].split(", ")) - {"HEAD"} == set(allowed.split(", "))


def test_the_catalogue_of_checks_names_formula_and_source_of_each(quiet_desk: Desk) -> None:
    told = quiet_desk.get("/checks").json()
    CheckList.model_validate(told)
    assert [one["check"] for one in told["items"]] == [check.name for check in CHECKS]
    assert all(one["decides"] and one["formula"] and one["source"] for one in told["items"])
