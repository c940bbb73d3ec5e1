"""Who may: one scope for each entry type whatever route it takes, and no facility but one's own."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import update

from service.access.doorkeeper import MOMENT
from service.entries.catalogue import ENTRY_TYPES, SCOPES
from service.entries.facility import FacilityOpened
from service.entries.words import microseconds
from service.store.tables import tokens
from tests.api import scenario
from tests.api.desk import Desk, problem
from tests.api.scenario import BESIDE, DEFAULTS, HERE, WORK, entry

ROUTES = [
    ("GET", "/entries"), ("POST", "/entries"), ("GET", "/assets"), ("POST", "/assets"), ("GET", "/assets/OX2"),
    ("PATCH", "/assets/OX2"), ("GET", "/assets/OX2/history"), ("GET", "/assets/OX2/setting"), ("GET", "/procedures"), ("POST", "/procedures"), ("GET", "/procedures/BR-12"),
    ("GET", "/procedures/BR-12/revisions/1"), ("GET", "/instruments"), ("POST", "/instruments"),
    ("GET", "/instruments/TW-21"), ("POST", "/instruments/TW-21/calibrations"), ("GET", "/rebuilds"),
    ("GET", f"/rebuilds/{scenario.REBUILD}"), ("GET", "/due"), ("GET", "/checks"),
    ("GET", "/log/checkpoint"), ("GET", "/log/key"), ("GET", "/log/keys"), ("GET", "/log/tile/0/000.p/1"),
    ("GET", "/log/proof?seq=1"), ("GET", "/log/consistency?from=1&to=1"), ("POST", "/log/cosignatures"),
    ("GET", f"/attachments/{64 * '0'}"), ("PUT", f"/attachments/{64 * '0'}"),
]  # fmt: skip
READS = [path for method, path in ROUTES if method == "GET"]


def test_the_list_above_is_complete(quiet_desk: Desk) -> None:
    paths = quiet_desk.app.openapi()["paths"]
    known = {(method.upper(), path) for path, methods in paths.items() for method in methods if "facility" in path}
    known = {(method, path) for method, path in known if method != "HEAD"}  # its problems have no body to look at
    assert len(known) == len(ROUTES)


@pytest.mark.parametrize(("method", "path"), ROUTES)
class TestEveryRouteBelowAFacility:
    def test_wants_a_token(self, quiet_desk: Desk, method: str, path: str) -> None:
        answer = quiet_desk.call(method, path, token="")
        assert problem(answer, 401, "unproven") == []
        assert answer.headers["www-authenticate"] == 'Bearer realm="witnessmark"'

    def test_wants_one_it_knows(self, quiet_desk: Desk, method: str, path: str) -> None:
        """RFC 6750 section 3.1: the challenge says that the token is not valid."""
        answer = quiet_desk.call(method, path, token="wmk_" + "A" * 43)
        assert problem(answer, 401, "invalid_token") == []
        assert answer.headers["www-authenticate"] == 'Bearer realm="witnessmark", error="invalid_token"'

    def test_of_another_facility_says_nothing(self, quiet_desk: Desk, method: str, path: str) -> None:
        """The same answer whether there is such a facility or not."""
        there = method, f"//v1/facilities/tidewater{path}"
        nowhere = method, f"//v1/facilities/nowhere{path}"
        stranger = self.stranger(quiet_desk)
        answers = [quiet_desk.call(*there, token=stranger), quiet_desk.call(*nowhere, token=stranger)]
        for answer in answers:
            assert problem(answer, 404, "unknown_facility") == []
        assert answers[0].text.replace("tidewater", "nowhere") == answers[1].text

    def stranger(self, desk: Desk) -> str:
        if not hasattr(desk, "stranger"):
            members = scenario.FACILITY | {"code": "elsewhere", "origin": "elsewhere.example/log"}
            desk.ledger.open(FacilityOpened.model_validate(members))
            desk.stranger = desk.token_for(*SCOPES, facility="elsewhere")  # type: ignore[attr-defined]
        token: str = desk.stranger  # type: ignore[attr-defined]
        return token


@pytest.mark.parametrize("header", ["", "Bearer", "Bearer ", "Basic dGVjaDpnYXM=", "wmk_abc", "Bearer\twmk_abc"])
def test_what_is_no_bearer_token_proves_nothing(quiet_desk: Desk, header: str) -> None:
    answer = quiet_desk.get("/assets", token="", headers={"Authorization": header})
    problem(answer, 401, "unproven")


def test_the_scheme_is_read_in_any_case(quiet_desk: Desk) -> None:
    """RFC 9110 section 11.1: the scheme's name is case-insensitive."""
    answer = quiet_desk.get("/assets", token="", headers={"Authorization": f"bEARER {quiet_desk.token}"})
    assert answer.status_code == 200


@pytest.mark.parametrize("path", READS)
def test_reading_wants_read(quiet_desk: Desk, path: str) -> None:
    others = quiet_desk.token_for(*(scope for scope in SCOPES if scope != "read"))
    answer = quiet_desk.get(path, token=others)
    assert problem(answer, 403, "not_allowed") == []
    assert answer.headers["www-authenticate"] == 'Bearer error="insufficient_scope", scope="read"'
    assert quiet_desk.get(path, token=quiet_desk.token_for("read")).status_code in {200, 404}


def _samples() -> dict[str, Any]:
    """One entry of each type that a caller may record."""
    fresh = {
        "asset.registered": {"asset": "OX3", "data": {"kind": "manifold", "gas": "oxygen"}},
        "procedure.published": {"data": scenario.PROCEDURE | {"code": "BR-30"}},
        "instrument.registered": {"data": {"instrument": "PG-9", "kind": "pressure_gauge"}},
        "instrument.calibrated": {"data": {"instrument": "PG-4", "on": "2026-01-05"}},
    }
    samples = {one["type"]: {**DEFAULTS, **one} for one in WORK} | {one["type"]: one for one in BESIDE}
    start = "2026-01-05T09:00:00+13:00"
    return samples | {name: {"type": name, "occurred_at": start, **rest} for name, rest in fresh.items()}


SAMPLES = _samples()
SUGAR = {
    "asset.registered": ("POST", "/assets", {"tag": "OX3"} | SAMPLES["asset.registered"]["data"]),
    "asset.amended": ("PATCH", "/assets/OX2", {"location": "Roof"}),
    "procedure.published": ("POST", "/procedures", SAMPLES["procedure.published"]["data"]),
    "instrument.registered": ("POST", "/instruments", SAMPLES["instrument.registered"]["data"]),
    "instrument.calibrated": ("POST", "/instruments/PG-4/calibrations", {"on": "2026-01-05"}),
}
SCOPE = {row.name: row.scope for row in ENTRY_TYPES.values() if row.scope}


def test_the_design_says_which_scope_is_for_what() -> None:
    assert {name for name, scope in SCOPE.items() if scope == "publish"} == {"procedure.published"}
    assert {name for name, scope in SCOPE.items() if scope == "countersign"} == {
        "rebuild.countersigned",
        "finding.accepted",
    }
    assert {name for name, scope in SCOPE.items() if scope == "admin"} == {
        "facility.amended", "asset.registered", "asset.amended", "asset.exchanged", "asset.retired",
        "instrument.registered", "instrument.calibrated",
    }  # fmt: skip
    assert set(SAMPLES) == set(SCOPE)


@pytest.mark.parametrize("name", SCOPE)
def test_an_entry_wants_its_scope_and_no_other_will_do(quiet_desk: Desk, name: str) -> None:
    size, wanted = quiet_desk.size(), SCOPE[name]
    others = quiet_desk.token_for(*(scope for scope in SCOPES if scope != wanted))
    answer = quiet_desk.post("/entries", {"entries": [SAMPLES[name]]}, token=others)
    assert problem(answer, 403, "not_allowed") == [("/entries/0/type", "not_allowed")]
    assert answer.headers["www-authenticate"] == f'Bearer error="insufficient_scope", scope="{wanted}"'
    assert quiet_desk.size() == size


@pytest.mark.parametrize("name", SCOPE)
def test_its_own_scope_alone_is_enough(desk: Desk, name: str) -> None:
    mine = desk.token_for(SCOPE[name])  # type: ignore[arg-type]
    assert desk.post("/entries", SAMPLES[name], token=mine).status_code == 201


@pytest.mark.parametrize("name", SUGAR)
def test_the_scope_is_the_same_by_the_other_route(desk: Desk, name: str) -> None:
    method, path, body = SUGAR[name]
    wanted = SCOPE[name]
    others = desk.token_for(*(scope for scope in SCOPES if scope != wanted))
    answer = desk.call(method, path, token=others, json=body, headers={"If-Match": "*"})
    assert problem(answer, 403, "not_allowed") == [("", "not_allowed")], "the whole body, there is no type in it"
    assert answer.headers["www-authenticate"] == f'Bearer error="insufficient_scope", scope="{wanted}"'
    mine = desk.token_for(wanted)  # type: ignore[arg-type]
    assert desk.call(method, path, token=mine, json=body, headers={"If-Match": "*"}).is_success


def test_every_route_that_writes_is_among_those() -> None:
    writes = {(method, path) for method, path in ROUTES if method not in {"GET", "PUT"}} - {("POST", "/entries")}
    # PUT brings a file, which is no entry and is held to its scope in test_attachments
    writes -= {("POST", "/log/cosignatures")}  # no entry: a line beside the log, its scope is tried in tests/log
    assert writes == {(method, path.replace("PG-4", "TW-21")) for method, path, _ in SUGAR.values()}


def test_a_correction_wants_the_scope_of_what_it_corrects_too(desk: Desk) -> None:
    """Else who may record could take a countersignature back."""
    signed = desk.record(entry("rebuild.countersigned", "12:00:00", **HERE | {"by": "sup-01"}, role="engineer"))
    sent = entry("entry.corrected", "12:10:00", entry=signed["accepted"][0]["id"], reason="no", withdrawn=True)
    answer = desk.post("/entries", sent, token=desk.token_for("record"))
    assert problem(answer, 403) == [("/type", "not_allowed")]
    assert "countersign" in answer.headers["www-authenticate"]
    assert desk.post("/entries", sent, token=desk.token_for("record", "countersign")).status_code == 201


def test_a_body_with_one_entry_too_many_is_refused_whole(desk: Desk) -> None:
    size = desk.size()
    body = [SAMPLES["note.added"], SAMPLES["rebuild.countersigned"]]
    assert problem(desk.post("/entries", body, token=desk.token_for("record")), 403) == [("/1/type", "not_allowed")]
    assert desk.size() == size


class TestTokens:
    def change(self, desk: Desk, **values: int) -> None:
        with desk.ledger.store.writing() as tx:
            tx.execute(update(tokens).values(values))

    def test_an_expired_token_is_valid_no_more(self, either_desk: Desk) -> None:
        until = either_desk.clock() + timedelta(hours=1)
        self.change(either_desk, expires_us=microseconds(until))
        assert either_desk.get("/assets").status_code == 200
        either_desk.clock.at = until
        problem(either_desk.get("/assets"), 401, "invalid_token")

    def test_a_revoked_token_is_valid_no_more_a_second_later(self, either_desk: Desk) -> None:
        assert either_desk.get("/assets").status_code == 200
        self.change(either_desk, revoked_us=microseconds(either_desk.clock()))
        either_desk.clock.at += MOMENT
        problem(either_desk.get("/assets"), 401, "invalid_token")
        assert either_desk.get("/assets", token=either_desk.token_for("read")).status_code == 200

    def test_what_a_token_recorded_names_it_but_not_its_secret(self, desk: Desk) -> None:
        desk.record(SAMPLES["note.added"])
        text = desk.get("/entries?limit=200").text
        assert desk.token not in text
        assert desk.token.removeprefix("wmk_") not in text
