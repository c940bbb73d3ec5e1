"""Examples for the API's document, of an invented facility; a test posts them as they stand, in this order."""

from __future__ import annotations

from typing import Any, Final

_REBUILD = "0198e2b4-7a10-7c3e-9d55-3f1f6a2b7c01"

ASSET: Final[dict[str, Any]] = {
    "tag": "OX2-LB",
    "kind": "bank_regulator",
    "gas": "oxygen",
    "position": "left bank",
    "serial": "B-7718",
    "delivered_pressure": {
        "point": "regulator outlet",
        "flowing": {"low": {"value": "390", "unit": "kPa"}, "high": {"value": "430", "unit": "kPa"}},
    },
    "stem": {"pitch": {"value": "1.25", "unit": "mm"}, "pressure_per_turn": {"value": "60", "unit": "kPa"}},
    "service": [{"procedure": "BR-12", "every": "P2Y", "window": "P30D"}],
    "commissioned_on": "2023-02-20",
}
PATCH: Final[dict[str, Any]] = {"location": "Cylinder store, left wall", "position": None}
INSTRUMENT: Final[dict[str, Any]] = {
    "instrument": "TW-21",
    "kind": "torque_tool",
    "type": "setting",
    "max": {"value": "120", "unit": "N.m"},
    "resolution": {"value": "0.5", "unit": "N.m"},
    "interval": "P12M",
}
CALIBRATION: Final[dict[str, Any]] = {
    "on": "2025-11-03",
    "certificate": "N-1020",
    "uncertainty_percent": "1.0",
    "k": "2",
    "as_left_error_percent": "0.1",
}
PROCEDURE: Final[dict[str, Any]] = {
    "code": "BR-12",
    "revision": 1,
    "title": "Bank regulator, soft goods",
    "applies_to": ["bank_regulator"],
    "cautions": ["Keep oil and grease away from oxygen.", "Zero on a gauge is not zero in the dome."],
    "tools": [{"tool": "socket", "across_flats": {"value": "2", "unit": "in"}}],
    "joints": [
        {
            "joint": "bonnet",
            "torque": {"value": "44", "unit": "ft.lbf"},
            "also": {"value": "60", "unit": "N.m"},
            "tolerance_percent": "5",
        }
    ],
    "kit": {"number": "K12", "parts": [{"part": "seat", "action": "replace"}, {"part": "spring", "action": "reuse"}]},
    "before": [["turns.counted:out", "part.removed"]],
}
EXAMPLES: Final[dict[str, Any]] = {
    "one entry": {
        "type": "torque.applied",
        "occurred_at": "2026-03-11T10:42:00+00:00",
        "asset": "OX2-LB",
        "rebuild": _REBUILD,
        "by": "tech-03",
        "data": {"joint": "bonnet", "torque": {"value": "44.0", "unit": "ft.lbf"}, "instrument": "TW-21"},
    },
    "a list with defaults": {
        "defaults": {"asset": "OX2-LB", "rebuild": _REBUILD, "by": "tech-03"},
        "entries": [
            {
                "type": "turns.counted",
                "occurred_at": "2026-03-11T09:20:00+00:00",
                "data": {"direction": "out", "turns": {"value": "7.5", "unit": "turn"}, "marks_aligned": True},
            },
            {
                "type": "part.removed",
                "occurred_at": "2026-03-11T09:31:00+00:00",
                "data": {"part": "seat", "condition": "worn"},
            },
        ],
    },
    "a correction": {
        "type": "entry.corrected",
        "occurred_at": "2026-03-11T12:00:00+00:00",
        "by": "tech-03",
        "data": {
            "entry": "0198e2b4-7a10-7c3e-9d55-3f1f6a2b7c99",
            "reason": "written in the wrong unit",
            "replacement": {
                "data": {"joint": "bonnet", "torque": {"value": "60.0", "unit": "N.m"}, "instrument": "TW-21"}
            },
        },
    },
}
LINES: Final = """\
{"type":"meter.read","occurred_at":"2026-03-10T08:00:00Z","asset":"OX2-LB","data":{"meter":"hours","reading":"1310"}}
{"type":"meter.read","occurred_at":"2026-03-11T08:00:00Z","asset":"OX2-LB","data":{"meter":"hours","reading":"many"}}
"""
ANSWERED_LINES: Final = """\
{"line":1,"status":201,"id":"0c9d4b0a-8a3d-8c0e-9c0a-3f8f1f6f2a11","seq":14,"replayed":false}
{"line":2,"status":422,"errors":[{"pointer":"/data/reading","detail":"not a decimal number","code":"not_a_number"}]}
{"done":true,"read":2,"accepted":1,"refused":1}
"""
