"""What an asset's past teaches, asked over HTTP: pressure per turn, turns to a target, the series, drift."""

from __future__ import annotations

from typing import Any

import pytest

from service.api.history_shapes import HistoryShape, SettingShape
from tests.api import scenario
from tests.api.desk import Desk, problem
from tests.api.scenario import q

TAG = "OX2-LB"
POINT = "regulator outlet"


def on(day: str, type_: str, **members: Any) -> dict[str, Any]:
    above = {name: members.pop(name) for name in ("rebuild", "by") if name in members}
    return {"type": type_, "occurred_at": f"{day}T10:00:00+13:00", "asset": TAG, **above, "data": members}


def adjusted(day: str, turns: str, before: str, after: str, **above: Any) -> dict[str, Any]:
    return on(day, "setting.adjusted", turns=q(turns), before=q(before), after=q(after), flow="flowing", **above)


def read(day: str, phase: str, kpa: str, **above: Any) -> dict[str, Any]:
    reading = {"point": POINT, "phase": phase, "flow": "flowing", "pressure": q(kpa), "resolution": q("0.1 kPa")}
    return on(day, "pressure.read", **reading, **above)


def visit(rebuild: str, day: str, found: str, left: str) -> list[dict[str, Any]]:
    return [
        on(day, "rebuild.opened", rebuild=rebuild, procedure="BR-12", revision=1, reason="scheduled"),
        read(day, "as_found", found, rebuild=rebuild),
        read(day, "as_left", left, rebuild=rebuild),
    ]


FIRST, SECOND, THIRD = (f"0198e2b4-7a10-7c3e-9d55-3f1f6a2b7d0{n}" for n in range(3))
ADJUSTMENTS = [
    adjusted("2025-02-01", "0.5 turn", "400 kPa", "430 kPa"),
    adjusted("2025-03-01", "-0.5 turn", "430 kPa", "399 kPa"),
    adjusted("2025-04-01", "0.25 turn", "399 kPa", "414 kPa"),
]


def test_turns_to_a_target_come_from_the_devices_own_adjustments(desk: Desk) -> None:
    desk.record(*ADJUSTMENTS)
    told = desk.get(f"/assets/{TAG}/setting", params={"target": "420 kPa"}).json()
    SettingShape.model_validate(told)
    assert told["per_turn"]["known_from"] == "adjustments"
    assert told["per_turn"]["kpa"] == "60.000"  # 60, 62, 60
    assert told["now"]["kpa"] == "414.00"
    assert told["turns"]["value"] == "0.100"
    assert not told["turns"]["beyond_seen"]


def test_before_three_adjustments_the_register_is_asked_and_it_says_so(desk: Desk) -> None:
    desk.record(*ADJUSTMENTS[:2])
    told = desk.get(f"/assets/{TAG}/setting", params={"turns": "-0.5 turn", "now": "58 psi"}).json()
    SettingShape.model_validate(told)
    assert told["per_turn"]["known_from"] == "register"
    assert told["pressure"]["value"] == "370"  # 58 psi = 399.9 kPa, less half of 60 kPa
    assert told["pressure"]["beyond_seen"]


def test_a_corrected_adjustment_teaches_what_the_correction_says(desk: Desk) -> None:
    desk.record(*ADJUSTMENTS)
    wrong = desk.get(f"/entries?asset={TAG}&type=setting.adjusted").json()["items"][0]
    right = {**wrong["data"], "after": q("440 kPa")}
    desk.record(on("2025-04-02", "entry.corrected", entry=wrong["id"], reason="misread", replacement={"data": right}))
    assert desk.get(f"/assets/{TAG}/setting").json()["per_turn"]["kpa"] == "62.000"  # 80, 62, 60


def test_another_device_in_the_position_starts_without_a_past(desk: Desk) -> None:
    desk.record(*ADJUSTMENTS, on("2025-06-01", "asset.exchanged", serial_out="B-7718", serial_in="B-9001"))
    told = desk.get(f"/assets/{TAG}/setting").json()
    assert (told["serial"], told["per_turn"]["known_from"], told["now"]) == ("B-9001", "register", None)


def test_a_device_that_moves_takes_its_history_along(desk: Desk) -> None:
    desk.record(
        *visit(FIRST, "2024-03-01", "400 kPa", "410 kPa"),
        on("2025-06-01", "asset.exchanged", serial_out="B-7718", serial_in="B-9001"),
    )
    desk.post("/assets", {**scenario.REGULATOR, "tag": "OX2-RB", "serial": "B-7718", "external_ids": []})
    there = desk.get("/assets/OX2-RB/history").json()
    HistoryShape.model_validate(there)
    assert [(one["rebuild"], one["asset"]) for one in there["visits"]] == [(FIRST, TAG)]
    here = desk.get(f"/assets/{TAG}/history").json()
    assert here["visits"] == []
    assert here["exchanged"][0]["serial_in"] == "B-9001"


def test_drift_that_will_leave_the_band_is_told_in_advance(desk: Desk) -> None:
    """−8 kPa in a year from 396 kPa: below the 390 kPa of the band long before the next service."""
    desk.record(*visit(FIRST, "2024-03-01", "400 kPa", "410 kPa"), *visit(SECOND, "2025-03-01", "402 kPa", "396 kPa"))
    desk.post("/assets", {**scenario.REGULATOR, "tag": "OX2-RB", "commissioned_on": "2025-12-01", "serial": "B-7718"})
    told = desk.get("/assets/OX2-RB/history").json()
    HistoryShape.model_validate(told)
    (drift,) = told["drift"]
    assert drift["kpa_a_year"] == "-8.005"  # over 365 days
    assert drift["outlook"]["leaves"] == "whole interval"
    assert drift["outlook"]["on"] == "2027-12-01"
    (warning,) = told["early_warnings"]
    assert "band 390 kPa to 430 kPa" in warning


def test_the_series_of_a_visit_carries_readings_turns_and_adjustments(desk: Desk) -> None:
    rebuild = {"rebuild": FIRST}
    desk.record(
        *visit(FIRST, "2024-03-01", "400 kPa", "410 kPa"),
        on("2024-03-01", "turns.counted", direction="out", turns=q("11.25 turn"), **rebuild),
        adjusted("2024-03-01", "0.25 turn", "400 kPa", "410 kPa", **rebuild),
    )
    (seen,) = desk.get(f"/assets/{TAG}/history").json()["visits"]
    assert seen["as_found"]["flowing"]["kpa"] == "400.00"
    assert seen["as_left"]["flowing"]["kpa"] == "410.00"
    assert seen["turns"] == {"out": "11.2500"}
    assert seen["adjustments"][0]["turns"] == "0.250000"


def test_what_earlier_adjustments_taught_stands_in_the_finding_about_turns(desk: Desk) -> None:
    """A rebuild whose adjustments come late changes what a later rebuild says of its lost quarter turn."""
    counts = [
        on(day, "turns.counted", direction=way, turns=q(turns), rebuild=SECOND, agreed_by=["t1", "t2"])
        for day, way, turns in (("2025-03-02", "out", "11 turn"), ("2025-03-03", "in", "10.5 turn"))
    ]
    desk.record(*visit(FIRST, "2024-03-01", "400 kPa", "410 kPa"), *visit(SECOND, "2025-03-01", "402 kPa", "410 kPa"))
    desk.record(*counts)

    def effect() -> str:
        findings = desk.get(f"/rebuilds/{SECOND}").json()["findings"]
        return next(one["says"] for one in findings if one["check"] == "turns")

    assert "60 kPa per turn as registered" in effect()
    desk.record(*({**one, "rebuild": FIRST} for one in ADJUSTMENTS))
    assert "the median of 3 adjustments" in effect()


@pytest.mark.parametrize(
    ("params", "fault"),
    [
        ({"target": "420"}, ("/query/target", "not_a_quantity")),
        ({"target": "420 N.m"}, ("/query/target", "wrong_dimension")),
        ({"target": "1.2.3 kPa"}, ("/query/target", "not_a_number")),
        ({"now": "-500 kPa"}, ("/query/now", "below_lowest")),
        ({"turns": "half a turn"}, ("/query/turns", "not_a_quantity")),
    ],
)
def test_what_is_no_quantity_is_refused_where_it_stands(
    quiet_desk: Desk, params: dict[str, str], fault: tuple[str, str]
) -> None:
    assert problem(quiet_desk.get(f"/assets/{TAG}/setting", params=params), 422) == [fault]


def test_an_unknown_asset_has_no_history(quiet_desk: Desk) -> None:
    for page in ("setting", "history"):
        assert problem(quiet_desk.get(f"/assets/NONE/{page}"), 404) == []
