"""What is measured on: an invented facility, its register, a procedure, and one rebuild in 30 and in 60 entries.

Every name that belongs to one manifold holds ``MARK``, so that a thousand more can be made by putting another number
in its place.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

MARK = "facade000000"
FACILITY = {
    "code": "bench",
    "name": "Bench Infirmary",
    "time_zone": "Europe/Lisbon",
    "origin": "bench.example/regulators",
}
MANIFOLD, BANK, OTHER_BANK = f"M-{MARK}", f"L-{MARK}", f"R-{MARK}"
REBUILD = f"0199bb00-0000-7000-8000-{MARK}"
DAY = "2026-03-10"
REBUILDS, PER_ROUND = 64, 10 * 64
"""Rebuilds that are under way at once, and torques applied in them in one round of the benchmark."""


def marked(number: int) -> str:
    """What stands for ``MARK`` in the manifold of this number."""
    return f"{number:012x}"


def _q(text: str) -> dict[str, str]:
    value, unit = text.split(" ")
    return {"value": value, "unit": unit}


def _band(low: str, high: str) -> dict[str, Any]:
    return {"low": _q(f"{low} kPa"), "high": _q(f"{high} kPa")}


_BANK = {
    "kind": "bank_regulator",
    "gas": "oxygen",
    "parent": MANIFOLD,
    "serial": f"S-{MARK}",
    "delivered_pressure": {
        "point": "outlet",
        "flowing": _band("400", "440"),
        "static": _band("400", "470"),
    },
    "line_pressure": {"point": "line", **_band("400", "450")},
    "stem": {"pitch": _q("1.25 mm"), "pressure_per_turn": _q("70 kPa")},
    "service": [{"procedure": "RB-1", "every": "P3Y", "window": "P45D", "meter": "changeovers", "usage": "400"}],
    "commissioned_on": "2023-09-01",
}
REGISTER: list[tuple[str, dict[str, Any]]] = [
    (MANIFOLD, {"kind": "manifold", "gas": "oxygen", "location": "Plant room"}),
    (BANK, _BANK),
    (OTHER_BANK, _BANK),
]
INSTRUMENTS: list[dict[str, Any]] = [
    {
        "instrument": "W-5",
        "kind": "torque_tool",
        "type": "setting",
        "max": _q("120 N.m"),
        "min": _q("12 N.m"),
        "resolution": _q("0.5 N.m"),
        "lever": _q("400 mm"),
        "interval": "P12M",
    },
    {
        "instrument": "G-2",
        "kind": "pressure_gauge",
        "max": _q("700 kPa"),
        "resolution": _q("0.1 kPa"),
        "interval": "P12M",
    },
    {"instrument": "T-1", "kind": "thermometer", "resolution": _q("0.1 Cel"), "interval": "P12M"},
]
CALIBRATIONS: list[dict[str, Any]] = [
    {
        "instrument": "W-5",
        "on": "2026-01-12",
        "of": "reading",
        "uncertainty_percent": "1.0",
        "k": "2",
        "as_left_error_percent": "0.3",
    },
    {"instrument": "G-2", "on": "2026-01-15", "of": "span", "uncertainty_percent": "0.06", "k": "2"},
    {"instrument": "T-1", "on": "2026-01-15", "uncertainty": _q("0.2 Cel"), "k": "2"},
]
_REPLACED, _REUSED = ("seat", "body ring", "cap ring"), ("spring", "washer")
PROCEDURE: dict[str, Any] = {
    "code": "RB-1",
    "revision": 1,
    "title": "Bank regulator, soft goods",
    "zero_pressure": {
        "hold": "PT2M",
        "points": [{"point": point, "limit": _q("2 kPa")} for point in ("header", "outlet", "dome")],
    },
    "turns": {"tolerance": _q("0.25 turn"), "counters": 2},
    "joints": [
        {
            "joint": "carrier",
            "torque": _q("42.0 N.m"),
            "tolerance_percent": "6",
            "acceptance": "guarded",
            "confidence": "0.95",
        },
        {"joint": "cap", "torque": _q("55 ft.lbf"), "tolerance_percent": "6"},
    ],
    "kit": {
        "number": "KIT-1",
        "parts": [
            *(
                {"part": part, "action": "replace", "polymer": "FKM", "shelf_life": "ISO 2230:2002"}
                for part in _REPLACED
            ),
            *({"part": part, "action": "reuse"} for part in _REUSED),
        ],
    },
    "lubricant": {"named": ["oxygen grease"], "on": ["body ring", "cap ring"]},
    "leak_test": {"sections": ["outlet"], "limit": _q("0.005 Pa.m3/s")},
    "lockup": {"max_rise_percent": "15", "settle": "PT1M", "observe": "PT10M", "creep_limit": _q("3 kPa")},
    "functions": ["changeover", "low alarm"],
    "notice": True,
    "supply": True,
    "countersign": {},
    "before": [
        ["zero_pressure", "turns.counted:out"],
        ["turns.counted:out", "part.removed"],
        ["torque.applied:carrier", "torque.applied:cap"],
        ["torque.applied", "bank.restored"],
    ],
}
WITH_GAS = {**PROCEDURE, "endurance": {"margin": "1.5"}}
"""The same, with the other bank's content asked for."""


def _read(clock: str, point: str, phase: str, kpa: str, **more: Any) -> tuple[str, str, dict[str, Any]]:
    return (
        clock,
        "pressure.read",
        {"point": point, "phase": phase, "pressure": _q(f"{kpa} kPa"), "instrument": "G-2", **more},
    )


def _zero(*clocks: str) -> list[tuple[str, str, dict[str, Any]]]:
    points = ("header", "outlet", "dome")
    return [_read(clock, point, "isolated", "0.0", vent_open=True) for clock, point in zip(clocks, points, strict=True)]


def _turns(clock: str, direction: str, who: str) -> tuple[str, str, dict[str, Any]]:
    counted = {"direction": direction, "turns": _q("9.75 turn"), "counted_by": who, "marks_aligned": True}
    return clock, "turns.counted", counted


def _torque(clock: str, joint: str, torque: str, **more: Any) -> tuple[str, str, dict[str, Any]]:
    return clock, "torque.applied", {"joint": joint, "torque": _q(torque), "instrument": "W-5", **more}


_OPEN: list[tuple[str, str, dict[str, Any]]] = [
    ("08:05:00", "notice.given", {"to": ["ward 1", "control room"], "when": "before"}),
    (
        "08:30:00",
        "rebuild.opened",
        {
            "procedure": "RB-1",
            "revision": 1,
            "reason": "scheduled",
            "kit": "KIT-1",
            "crew": ["tech-1", "tech-2"],
            "expected_duration": "PT3H",
        },
    ),
    _read("08:33:00", "header", "as_found", "600.0"),
    _read("08:34:00", "outlet", "as_found", "418.0", flow="flowing"),
    _read("08:35:00", "dome", "as_found", "425.0"),
    (
        "08:40:00",
        "bank.isolated",
        {
            "valves": [{"valve": "left master", "state": "closed", "lock": "K-4"}],
            "companion": {
                "cylinders": 8,
                "water_volume": _q("50 L"),
                "pressure": _q("120 bar"),
                "temperature": _q("20 Cel"),
                "reserve_pressure": _q("14 bar"),
            },
            "demand": _q("100 L/min"),
        },
    ),
    *_zero("08:44:00", "08:44:30", "08:45:00"),
    *_zero("08:48:00", "08:48:30", "08:49:00"),
    _read("08:50:00", "line", "during", "421.0"),
    _turns("08:55:00", "out", "tech-1"),
    _turns("08:55:10", "out", "tech-2"),
    *((f"09:0{n}:00", "part.removed", {"part": part}) for n, part in enumerate((*_REUSED, *_REPLACED))),
    *(
        (f"09:2{n}:00", "part.fitted", {"part": part, "new": True, "lot": "L-7", "cured": "2Q2025"})
        for n, part in enumerate(_REPLACED)
    ),
    *((f"09:2{n + 3}:00", "part.fitted", {"part": part, "new": False}) for n, part in enumerate(_REUSED)),
    (
        "09:25:30",
        "lubricant.applied",
        {"lubricant": "oxygen grease", "lot": "G-9", "expires": "2028-06-30", "on": ["body ring", "cap ring"]},
    ),
    _torque("09:40:00", "carrier", "42.0 N.m"),
    _torque("09:50:00", "cap", "74.5 N.m"),
    _turns("10:05:00", "in", "tech-1"),
    _turns("10:05:10", "in", "tech-2"),
]
_LATER: list[tuple[str, str, dict[str, Any]]] = [
    *((f"08:31:{n:02}", "step.done", {"step": n}) for n in range(1, 10)),
    _torque("09:35:00", "carrier", "25.0 N.m", stage="intermediate"),
    _torque("09:45:00", "cap", "40.0 N.m", stage="intermediate"),
    *(_read(f"09:5{n}:30", "line", "during", f"42{n}.0") for n in range(4)),
    ("10:06:00", "note.added", {"text": "Seat lightly marked, within what the procedure allows"}),
    ("10:08:00", "bank.restored", {"valves": [{"valve": "left master", "state": "open", "opened": "slowly"}]}),
    (
        "10:14:00",
        "setting.adjusted",
        {"turns": _q("0.25 turn"), "flow": "flowing", "before": _q("404.0 kPa"), "after": _q("420.0 kPa")},
    ),
    (
        "10:28:00",
        "leak.tested",
        {
            "method": "decay",
            "section": "outlet",
            "volume": _q("1.5 L"),
            "fed_by": [],
            "readings": [
                {"at": f"{DAY}T{clock}Z", "pressure": _q(f"{kpa} kPa"), "temperature": _q("19.0 Cel")}
                for clock, kpa in (("10:16:00", "431.0"), ("10:28:00", "430.8"))
            ],
            "atmosphere": {**_q("101.3 kPa"), "reference": "absolute"},
            "instrument": "G-2",
            "thermometer": "T-1",
        },
    ),
    (
        "10:29:00",
        "lockup.tested",
        {
            "section": "outlet",
            "volume": _q("1.5 L"),
            "flowing": _q("420.0 kPa"),
            "readings": [
                {"after": after, "pressure": _q(f"{kpa} kPa"), "temperature": _q("19.0 Cel")}
                for after, kpa in (("PT1M", "431.0"), ("PT11M", "431.1"))
            ],
            "instrument": "G-2",
            "thermometer": "T-1",
        },
    ),
    _read("10:30:00", "outlet", "as_left", "420.0", flow="flowing"),
    _read("10:31:00", "outlet", "as_left", "431.0", flow="static"),
    ("10:40:00", "function.tested", {"test": "changeover", "result": "passed"}),
    ("10:45:00", "function.tested", {"test": "low alarm", "result": "passed"}),
    ("11:00:00", "notice.given", {"to": ["ward 1", "control room"], "when": "after"}),
    (
        "11:02:00",
        "entry.corrected",
        {
            "entry": f"0199cc00-0028-7000-8000-{MARK}",
            "reason": "written 74.5, the slip says 74.0",
            "replacement": {"data": _torque("", "cap", "74.0 N.m")[2]},
        },
    ),
    (
        "11:03:00",
        "entry.corrected",
        {
            "entry": f"0199cc00-0001-7000-8000-{MARK}",
            "reason": "tablet a minute fast",
            "replacement": {"occurred_at": f"{DAY}T08:04:00Z"},
        },
    ),
    ("11:10:00", "rebuild.closed", {"outcome": "returned_to_service"}),
    ("11:30:00", "rebuild.countersigned", {"role": "authorised person"}),
    ("11:40:00", "note.added", {"text": "Old soft goods bagged and kept"}),
]


def rebuild(entries: int) -> list[dict[str, Any]]:
    """The rebuild as it is posted: 30 entries leave it open, 60 leave it closed, countersigned and conforming."""
    rows = (_OPEN + _LATER)[:entries]
    return [
        {
            "id": f"0199cc00-{number:04}-7000-8000-{MARK}",
            "type": type_,
            "occurred_at": f"{DAY}T{clock}Z",
            "asset": BANK,
            "rebuild": REBUILD,
            "by": "sup-1" if type_ == "rebuild.countersigned" else "tech-1",
            "data": data,
        }
        for number, (clock, type_, data) in enumerate(rows, 1)
    ]


def meter_read(post: int, manifolds: int) -> dict[str, Any]:
    """The reading that is posted at place ``post``: the manifolds take turns, and their meters only run forward."""
    at = datetime(2026, 2, 1, tzinfo=UTC) + timedelta(minutes=post)
    return {
        "id": f"0199dd00-0000-7000-8000-{post:012x}",
        "type": "meter.read",
        "occurred_at": at.strftime("%Y-%m-%dT%H:%M:%SZ"),
        "asset": MANIFOLD.replace(MARK, marked(post % manifolds)),
        "by": "tech-1",
        "data": {"meter": "changeovers", "reading": str(100 + post // manifolds)},
    }


def torque_applied(post: int, rebuilds: int) -> dict[str, Any]:
    """The torque that is posted at place ``post``: 64 rebuilds take turns, then the next 64."""
    stretch, place = divmod(post, PER_ROUND)
    turn, number = divmod(place, REBUILDS)
    mark = marked((stretch * REBUILDS + number) % rebuilds)
    return {
        "id": f"0199ee00-0000-7000-8000-{post:012x}",
        "type": "torque.applied",
        "occurred_at": f"{DAY}T10:{6 + turn // 60:02}:{turn % 60:02}Z",
        "asset": BANK.replace(MARK, mark),
        "rebuild": REBUILD.replace(MARK, mark),
        "by": "tech-1",
        "data": {"joint": "cap", "torque": _q("74.0 N.m"), "instrument": "W-5"},
    }
