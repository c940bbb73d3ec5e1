"""Examples for the API's document, of an invented facility; a test posts them as they stand."""

from __future__ import annotations

from typing import Any, Final

_REBUILD = "0198e2b4-7a10-7c3e-9d55-3f1f6a2b7c01"

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
