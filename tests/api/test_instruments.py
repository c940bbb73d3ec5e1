"""Instruments and their certificates; what a certificate changes in rebuilds long closed."""

from __future__ import annotations

from typing import Any

import pytest

from service.api.register_shapes import InstrumentPage, InstrumentShape
from tests.api import scenario
from tests.api.desk import Desk, problem
from tests.api.scenario import CALIBRATIONS, INSTRUMENTS, REBUILD, entry, q

GAUGE = {"instrument": "PG-9", "kind": "pressure_gauge", "max": q("10 bar"), "interval": "P12M"}


def test_an_instrument_is_answered_as_registered_with_no_certificate_yet(either_desk: Desk) -> None:
    answer = either_desk.post("/instruments", GAUGE)
    assert answer.status_code == 201
    InstrumentShape.model_validate(answer.json())
    assert answer.headers["location"] == "/v1/facilities/tidewater/instruments/PG-9"
    assert answer.json() == GAUGE | {"calibrations": [], "events": [], "seq": either_desk.size()}


@pytest.mark.parametrize("sent", INSTRUMENTS, ids=lambda sent: sent["kind"])
def test_every_kind_keeps_its_members(quiet_desk: Desk, sent: dict[str, Any]) -> None:
    shown = quiet_desk.get(f"/instruments/{sent['instrument']}").json()
    assert {name: shown[name] for name in sent} == sent
    assert shown["calibrations"] == [one for one in CALIBRATIONS if one["instrument"] == sent["instrument"]]


def test_registered_again_the_latest_holds_and_the_certificates_stay(desk: Desk) -> None:
    desk.clock.pass_(minutes=1)
    desk.post("/instruments", INSTRUMENTS[0] | {"interval": "P6M"})
    shown = desk.get("/instruments/TW-21").json()
    assert shown["interval"] == "P6M"
    assert len(shown["calibrations"]) == 1


class TestCalibrations:
    def test_a_certificate_is_kept_with_its_instrument_by_date(self, either_desk: Desk) -> None:
        either_desk.post("/instruments/TW-21/calibrations", {"on": "2026-05-02", "as_left_error_percent": "-0.2"})
        answer = either_desk.post("/instruments/TW-21/calibrations", {"on": "2024-11-05", "instrument": "TW-21"})
        assert answer.status_code == 201
        InstrumentShape.model_validate(answer.json())
        assert answer.headers["location"] == "/v1/facilities/tidewater/instruments/TW-21"
        assert [one["on"] for one in answer.json()["calibrations"]] == ["2024-11-05", "2025-11-03", "2026-05-02"]

    def test_an_unknown_instrument_is_not_found(self, quiet_desk: Desk) -> None:
        answer = quiet_desk.post("/instruments/TW-99/calibrations", {"on": "2026-05-02"})
        assert problem(answer, 404, "unknown_instrument") == []

    @pytest.mark.parametrize(
        ("sent", "faults"),
        [
            ({"on": "2026-05-02", "instrument": "PG-4"}, [("/instrument", "two_instruments")]),
            ({}, [("/on", "missing")]),
            ({"on": "yesterday"}, [("/on", "not_a_day")]),
            ({"on": "2027-05-02"}, [("/on", "in_the_future")]),
            ({"on": "2026-05-02", "k": "-2"}, [("/k", "negative")]),
            ({"on": "2026-05-02", "uncertainty": q("1 N.m"), "uncertainty_percent": "1"}, [("", "two_uncertainties")]),
            ({"on": "2026-05-02", "colour": "red"}, [("/colour", "unknown_member")]),
            ([], [("", "wrong_type")]),
        ],
    )
    def test_faults_point_into_the_certificate(
        self, quiet_desk: Desk, sent: Any, faults: list[tuple[str, str]]
    ) -> None:
        assert problem(quiet_desk.post("/instruments/TW-21/calibrations", sent), 422) == faults

    def test_a_certificate_that_shows_the_wrench_wrong_changes_the_verdict_of_what_it_tightened(
        self, either_desk: Desk
    ) -> None:
        """A wrench found reading 12 % high gave 30.0/1.12 = 26.8 N.m, below the 28 N.m wanted."""
        assert either_desk.post("/entries", scenario.BODY).json()["rebuilds"][0]["verdict"] == "conforming"
        found = {"on": "2026-03-01", "as_found_error_percent": "12", "as_left_error_percent": "12"}
        either_desk.post("/instruments/TW-21/calibrations", found)
        either_desk.settle()
        told = either_desk.get(f"/rebuilds/{REBUILD}").json()
        assert told["verdict"] == "nonconforming"
        seat = next(one for one in told["findings"] if (one["check"], one["subject"]) == ("torque", "seat"))
        assert "26.786 N.m" in seat["says"]
        assert [one["verdict"] for one in told["judged"]] == ["conforming", "nonconforming"], "both stay on record"


class TestReading:
    def test_events_show_with_the_time_they_happened(self, desk: Desk) -> None:
        desk.record(entry("instrument.event", "12:03:00", instrument="TH-1", event="dropped", note="from the bench"))
        shown = desk.get("/instruments/TH-1").json()
        InstrumentShape.model_validate(shown)
        assert shown["events"] == [
            {"occurred_at": "2026-03-10T23:03:00.000000Z", "instrument": "TH-1", "event": "dropped",
             "note": "from the bench"}
        ]  # fmt: skip

    def test_the_list_is_walked_to_its_end_without_loss_or_repetition(self, either_desk: Desk) -> None:
        either_desk.post("/instruments", GAUGE)
        InstrumentPage.model_validate(either_desk.get("/instruments").json())
        for limit in (1, 2, 3, 50):
            found = either_desk.walk(f"/instruments?limit={limit}")
            assert sorted(one["instrument"] for one in found) == ["PG-4", "PG-9", "TH-1", "TW-21"]

    def test_what_the_caller_has_already_is_not_sent_again_until_it_changes(self, desk: Desk) -> None:
        seen = {"If-None-Match": desk.get("/instruments/TW-21").headers["etag"]}
        assert desk.get("/instruments/TW-21", headers=seen).status_code == 304
        desk.post("/instruments/TW-21/calibrations", {"on": "2026-05-02"})
        assert desk.get("/instruments/TW-21", headers=seen).status_code == 200

    def test_an_unknown_instrument_is_not_found(self, quiet_desk: Desk) -> None:
        assert problem(quiet_desk.get("/instruments/TW-99"), 404, "unknown_instrument") == []


@pytest.mark.parametrize(
    ("sent", "faults"),
    [
        ({"instrument": "X-1"}, [("/kind", "missing")]),
        ({"instrument": "X-1", "kind": "hammer"}, [("/kind", "not_one_of")]),
        ({"kind": "thermometer"}, [("/instrument", "missing")]),
        (GAUGE | {"max": q("10 N.m")}, [("/max/unit", "wrong_dimension")]),
        (GAUGE | {"interval": "PT12H"}, [("/interval", "not_a_duration")]),
        (GAUGE | {"lever": q("1 m")}, [("/lever", "unknown_member")]),
    ],
)
def test_faults_point_into_the_instrument(quiet_desk: Desk, sent: Any, faults: list[tuple[str, str]]) -> None:
    assert problem(quiet_desk.post("/instruments", sent), 422) == faults
