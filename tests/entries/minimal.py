"""The least that each entry type can say, and one mistake of each kind that its model must notice."""

from __future__ import annotations

from typing import Any, Final

_READING: Final = {"pressure": {"value": "400", "unit": "kPa"}}
_ANOTHER: Final = "0198aaaa-0000-7000-8000-000000000001"
_ASSET: Final = {"kind": "manifold", "gas": "oxygen"}
_PLAN: Final = {"procedure": "A"}
_PROCEDURE: Final = {"code": "A", "revision": 1, "title": "T"}
_DOME: Final = {"point": "dome", "phase": "isolated"}
_COUNT: Final = {"direction": "out", "turns": {"value": "1", "unit": "turn"}}
_DECAY: Final = {"method": "decay", "section": "outlet"}
_X1: Final = {"instrument": "X-1"}
_SLIP: Final = {"entry": _ANOTHER, "reason": "slip"}

LEAST: Final[dict[str, dict[str, Any]]] = {
    "facility.amended": {"name": "Ferrow Point Infirmary"},
    "asset.registered": {"kind": "manifold", "gas": "oxygen"},
    "asset.amended": {"patch": {"location": "Yard"}},
    "asset.exchanged": {"serial_in": "S-2"},
    "asset.retired": {},
    "procedure.published": {"code": "BR-3", "revision": 1, "title": "Soft goods"},
    "instrument.registered": {"instrument": "TW-5", "kind": "torque_tool"},
    "instrument.calibrated": {"instrument": "TW-5", "on": "2026-03-02"},
    "instrument.event": {"instrument": "TW-5", "event": "dropped"},
    "meter.read": {"meter": "changeovers", "reading": "12"},
    "notice.given": {"to": ["ward 1"], "when": "before"},
    "rebuild.opened": {"procedure": "BR-3", "revision": 1, "reason": "fault"},
    "bank.isolated": {},
    "bank.restored": {},
    "pressure.read": {"point": "dome", "phase": "isolated", **_READING},
    "turns.counted": {"direction": "out", "turns": {"value": "31.5", "unit": "flat"}},
    "part.removed": {"part": "seat"},
    "part.fitted": {"part": "seat", "new": True},
    "lubricant.applied": {"lubricant": "PFPE grease"},
    "torque.applied": {"joint": "bonnet", "torque": {"value": "30.0", "unit": "ft.lbf"}},
    "leak.tested": {"method": "bubble", "section": "outlet", "result": "no_bubbles"},
    "lockup.tested": {"flowing": {"value": "400", "unit": "kPa"}, "readings": [{"after": "PT1M", **_READING}]},
    "setting.adjusted": {"turns": {"value": "-0.25", "unit": "turn"}},
    "function.tested": {"test": "changeover", "result": "failed"},
    "step.done": {"step": 1},
    "note.added": {"text": "Seat land scored"},
    "rebuild.closed": {"outcome": "aborted"},
    "rebuild.countersigned": {"role": "authorised person"},
    "finding.accepted": {"check": "torque", "reason": "no stock", "authority": "authorising engineer"},
    "entry.corrected": {**_SLIP, "withdrawn": True},
}
"""By entry type. A type of the catalogue that is missing here fails a test."""

ALSO: Final[list[tuple[str, dict[str, Any]]]] = [
    ("facility.amended", {"time_zone": "America/St_Johns", "from_day": "2026-08-01"}),
    ("instrument.registered", {"instrument": "PG-2", "kind": "pressure_gauge", "class_percent": "1.0"}),
    ("instrument.registered", {"instrument": "TH-1", "kind": "thermometer"}),
    ("meter.read", {"meter": "hours", "reading": "3", "replaced": {"final_reading": "8012"}}),
    (
        "leak.tested",
        {**_DECAY, "readings": [{"at": "2026-07-14T09:00:00-03:00", **_READING}]},
    ),
    ("turns.counted", {"direction": "in", "turns": {"value": "1890", "unit": "deg"}, "agreed_by": ["ines", "otto"]}),
    ("entry.corrected", {**_SLIP, "replacement": {"by": "otto"}}),
    ("function.tested", {"test": "relief valve", "result": "passed",
                         "readings": [{"what": "lifts at", "value": {"value": "12.1", "unit": "bar"}}]}),
]  # fmt: skip
"""Other ways to say some of them."""

FAULTY: Final[list[tuple[str, dict[str, Any], str, str]]] = [
    ("facility.amended", {}, "/data", "nothing_amended"),
    ("facility.amended", {"time_zone": "America/Halifax"}, "/data", "from_day_missing"),
    (
        "facility.amended",
        {"time_zone": "Halifax time", "from_day": "2026-08-01"},
        "/data/time_zone",
        "unknown_time_zone",
    ),
    (
        "facility.amended",
        {"time_zone": "localtime", "from_day": "2026-08-01"},
        "/data/time_zone",
        "unknown_time_zone",
    ),
    (
        "instrument.calibrated",
        {"instrument": "X-1", "on": "2026-01-01", "uncertainty": {"value": "-5", "unit": "N.m"}},
        "/data/uncertainty",
        "negative",
    ),
    ("asset.registered", {"kind": "Manifold", "gas": "oxygen"}, "/data/kind", "wrong_form"),
    ("asset.registered", {**_ASSET, "service": [{"procedure": "A"}]}, "/data/service/0", "no_interval"),
    ("asset.registered", {**_ASSET, "service": [{**_PLAN, "usage": "5"}]}, "/data/service/0", "meter_without_usage"),
    (
        "asset.registered",
        {**_ASSET, "service": [{**_PLAN, "every": "PT5M"}]},
        "/data/service/0/every",
        "not_a_duration",
    ),
    ("asset.registered", {**_ASSET, "service": [{**_PLAN, "every": "P1Y"}] * 2}, "/data", "two_plans"),
    ("asset.registered", {**_ASSET, "commissioned_on": "2026-02-30"}, "/data/commissioned_on", "not_a_day"),
    ("asset.amended", {"patch": {}}, "/data/patch", "too_few"),
    ("instrument.registered", {**_X1, "kind": "ruler"}, "/data/kind", "not_one_of"),
    ("instrument.registered", {"instrument": "X-1"}, "/data/kind", "missing"),
    (
        "instrument.registered",
        {**_X1, "kind": "torque_tool", "max": {"value": "10", "unit": "bar"}},
        "/data/max/unit",
        "wrong_dimension",
    ),
    ("instrument.registered", {**_X1, "kind": "thermometer", "thermometer": 1}, "/data/thermometer", "unknown_member"),
    ("procedure.published", {"code": "A/3", "revision": 1, "title": "T"}, "/data/code", "not_a_code"),
    ("procedure.published", {**_PROCEDURE, "joints": [{"joint": "seat"}]}, "/data/joints/0", "no_band"),
    ("procedure.published", {**_PROCEDURE, "before": [["torque.applied:seat", "bank.restored"]]}, "/data", "loose_end"),
    (
        "procedure.published",
        {**_PROCEDURE, "before": [["lunch", "bank.restored"]]},
        "/data/before/0/0",
        "unknown_milestone",
    ),
    ("rebuild.opened", {**_PLAN, "revision": "1", "reason": "fault"}, "/data/revision", "wrong_type"),
    ("rebuild.opened", {**_PLAN, "revision": 1, "reason": "boredom"}, "/data/reason", "not_one_of"),
    ("meter.read", {"meter": "hours", "reading": "-1"}, "/data/reading", "negative"),
    ("meter.read", {"meter": "hours", "reading": "12 h"}, "/data/reading", "not_a_number"),
    ("meter.read", {"meter": "hours", "reading": "1234567890123456789"}, "/data/reading", "too_many_digits"),
    ("pressure.read", {**_DOME, "pressure": {"value": "5", "unit": "N.m"}}, "/data/pressure/unit", "wrong_dimension"),
    ("pressure.read", {**_DOME, "pressure": {"value": True, "unit": "kPa"}}, "/data/pressure/value", "not_a_number"),
    ("pressure.read", {**_DOME, "pressure": {"value": "NaN", "unit": "kPa"}}, "/data/pressure/value", "not_a_number"),
    ("pressure.read", {**_DOME, "pressure": {"value": "5"}}, "/data/pressure/unit", "missing"),
    (
        "torque.applied",
        {"joint": "bonnet", "torque": {"value": "5", "unit": "stone"}},
        "/data/torque/unit",
        "unknown_unit",
    ),
    ("torque.applied", {"joint": "bonnet", "torque": {"value": "-5", "unit": "N.m"}}, "/data/torque", "below_lowest"),
    ("turns.counted", {**_COUNT, "agreed_by": ["ines", "ines"]}, "/data", "same_person_twice"),
    ("turns.counted", {**_COUNT, "agreed_by": ["ines", "otto"], "counted_by": "ines"}, "/data", "two_kinds_of_count"),
    ("leak.tested", {"section": "outlet"}, "/data/method", "missing"),
    ("leak.tested", {"method": "soap", "section": "outlet"}, "/data/method", "not_one_of"),
    ("leak.tested", {**_DECAY, "readings": []}, "/data/readings", "too_few"),
    ("leak.tested", {**_DECAY, "readings": [{"at": "09:00", **_READING}]}, "/data/readings/0/at", "not_a_time"),
    (
        "leak.tested",
        {**_DECAY, "readings": [{"at": "2026-07-14T09:00:00Z", **_READING}] * 301},
        "/data/readings",
        "too_many",
    ),
    (
        "lockup.tested",
        {"flowing": _READING["pressure"], "readings": [{"after": "PT1M", **_READING}], "thermometer": 5},
        "/data/thermometer",
        "wrong_type",
    ),
    ("part.fitted", {"part": "seat", "new": "yes"}, "/data/new", "wrong_type"),
    ("part.fitted", {"part": "seat"}, "/data/new", "missing"),
    ("note.added", {"text": "cut\0here"}, "/data/text", "nul"),
    ("note.added", {"text": ""}, "/data/text", "too_short"),
    ("entry.corrected", _SLIP, "/data", "one_way"),
    ("entry.corrected", {**_SLIP, "withdrawn": False}, "/data/withdrawn", "not_one_of"),
    ("entry.corrected", {**_SLIP, "withdrawn": True, "replacement": {"by": "otto"}}, "/data", "one_way"),
    ("entry.corrected", {**_SLIP, "replacement": {}}, "/data/replacement", "nothing_replaced"),
    ("entry.corrected", {**_SLIP, "replacement": {"asset": "AIR2"}}, "/data/replacement/asset", "unknown_member"),
    ("entry.corrected", {"entry": "the first one", "reason": "slip", "withdrawn": True}, "/data/entry", "wrong_form"),
    ("finding.accepted", {"check": "torque", "reason": "no stock"}, "/data/authority", "missing"),
]
"""Type, data, where the fault is, and its code."""


def about(kind: str) -> dict[str, str]:
    """The envelope members that say what an entry of this kind is about."""
    asset, rebuild = {"asset": "AIR1-LB"}, {"rebuild": "01981000-0000-7000-8000-0000000000aa"}
    return {
        "none": {},
        "target": {},
        "asset": asset,
        "asset, rebuild if any": asset,
        "rebuild": asset | rebuild,
    }[kind]
