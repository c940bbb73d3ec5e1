"""An invented hospital, one bank regulator and one rebuild of it, as plain values a caller would send."""

from __future__ import annotations

import copy
from collections.abc import Iterable, Mapping
from typing import Any, Final

JSON = dict[str, Any]
REBUILD: Final = "01981000-0000-7000-8000-0000000000aa"
DAY: Final = "2026-07-14"


def q(text: str) -> JSON:
    """A quantity as sent, from how one says it: ``q("44 ft.lbf")``."""
    value, unit, *reference = text.split(" ")
    return {"value": value, "unit": unit, **({"reference": reference[0]} if reference else {})}


FACILITY: Final[JSON] = {
    "code": "ferrow",
    "name": "Ferrow Point Hospital",
    "time_zone": "America/Halifax",
    "origin": "ferrow.example/gas",
}
MANIFOLD: Final[JSON] = {"kind": "manifold", "gas": "medical_air", "location": "Cylinder store"}
REGULATOR: Final[JSON] = {
    "kind": "bank_regulator",
    "gas": "medical_air",
    "parent": "AIR1",
    "serial": "S-204",
    "delivered_pressure": {"point": "outlet", "flowing": {"low": q("600 kPa"), "high": q("660 kPa")}},
    "stem": {"pressure_per_turn": q("70 kPa")},
    "service": [{"procedure": "BR-3", "every": "P3Y", "window": "P45D", "meter": "changeovers", "usage": "400"}],
    "commissioned_on": "2023-02-01",
}
WRENCH: Final[JSON] = {
    "instrument": "TW-5",
    "kind": "torque_tool",
    "type": "setting",
    "max": q("120 N.m"),
    "min": q("15 N.m"),
    "resolution": q("0.5 N.m"),
    "lever": q("400 mm"),
    "interval": "P12M",
}
GAUGE: Final[JSON] = {
    "instrument": "PG-2",
    "kind": "pressure_gauge",
    "max": q("1000 kPa"),
    "resolution": q("0.1 kPa"),
    "interval": "P12M",
}
CERTIFICATES: Final[list[JSON]] = [
    {"instrument": "TW-5", "on": "2026-03-02", "certificate": "K-77", "uncertainty_percent": "1.0", "k": "2",
     "as_left_error_percent": "0.1"},
    {"instrument": "PG-2", "on": "2026-03-02", "certificate": "K-78", "uncertainty": q("0.2 kPa"), "k": "2"},
]  # fmt: skip
PROCEDURE: Final[JSON] = {
    "code": "BR-3",
    "revision": 1,
    "title": "Bank regulator, soft goods",
    "applies_to": ["bank_regulator"],
    "zero_pressure": {"hold": "PT2M", "points": [{"point": "header", "limit": q("2 kPa")},
                                                 {"point": "outlet", "limit": q("2 kPa")},
                                                 {"point": "dome", "limit": q("2 kPa")}]},
    "turns": {"tolerance": q("0.25 turn"), "counters": 2},
    "joints": [
        {"joint": "bonnet", "torque": q("44 ft.lbf"), "tolerance_percent": "8"},
        {"joint": "plug", "low": q("28 N.m"), "high": q("34 N.m")},
    ],
    "kit": {
        "number": "K3",
        "parts": [
            {"part": "seat", "action": "replace", "joint": "plug"},
            {"part": "O-ring", "action": "replace", "quantity": 2},
            {"part": "spring", "action": "reuse"},
            {"part": "thrust washer", "action": "reuse"},
        ],
    },
    "functions": ["changeover"],
    "countersign": {"own_credential": False},
    "before": [["zero_pressure", "turns.counted:out"], ["torque.applied", "bank.restored"]],
}  # fmt: skip


def entry(type_: str, clock: str, data: Mapping[str, Any] | None = None, **envelope: Any) -> JSON:
    """An entry of the day of the rebuild, local time; ``day=`` for another one."""
    day = envelope.pop("day", DAY)
    return {"type": type_, "occurred_at": f"{day}T{clock}:00-03:00", **envelope, "data": dict(data or {})}


def setting_up() -> list[JSON]:
    """What the office records before any work: assets, procedure, instruments with their certificates."""
    day = {"day": "2026-03-03"}
    return [
        entry("asset.registered", "09:00", MANIFOLD, asset="AIR1", **day),
        entry("asset.registered", "09:01", REGULATOR, asset="AIR1-LB", **day),
        entry("procedure.published", "09:02", PROCEDURE, **day),
        entry("instrument.registered", "09:03", WRENCH, **day),
        entry("instrument.registered", "09:03", GAUGE, **day),
        *(entry("instrument.calibrated", "09:04", certificate, **day) for certificate in CERTIFICATES),
    ]


def _read(clock: str, point: str, phase: str, pressure: str, **more: Any) -> JSON:
    gauge = {"gauge": "bank gauge", "resolution": q("5 bar")} if point == "header" else {"instrument": "PG-2"}
    return entry("pressure.read", clock, {"point": point, "phase": phase, "pressure": q(pressure), **gauge, **more})


def _zero(*clocks: str) -> list[JSON]:
    return [
        _read(clock, point, "isolated", pressure, vent_open=True)
        for clock, point, pressure in zip(clocks, ("header", "outlet", "dome"), ("0 bar", "0.0 kPa", "0.0 kPa"),
                                          strict=True)
    ]  # fmt: skip


def _counts(clock: str, direction: str, turns: str = "8.5 turn") -> list[JSON]:
    data = {"direction": direction, "turns": q(turns), "marks_aligned": True}
    return [entry("turns.counted", clock, {**data, "counted_by": who}) for who in ("ines", "otto")]


def _moved(type_: str, clock: str, part: str, **data: Any) -> JSON:
    return entry(type_, clock, {"part": part, **data})


def work() -> list[JSON]:
    """The rebuild from opening to closing, in order and in band: facts only, without the envelope they share."""
    return [
        entry("rebuild.opened", "08:00", {"procedure": "BR-3", "revision": 1, "reason": "scheduled", "kit": "K3",
                                          "crew": ["ines", "otto"]}),
        _read("08:03", "header", "as_found", "120 bar"),
        _read("08:04", "outlet", "as_found", "628.0 kPa", flow="flowing"),
        _read("08:05", "dome", "as_found", "640.0 kPa"),
        entry("bank.isolated", "08:10", {"valves": [{"valve": "left master", "state": "closed", "lock": "4"}]}),
        *_zero("08:20", "08:21", "08:22"),
        *_zero("08:25", "08:26", "08:27"),
        *_counts("08:30", "out"),
        _moved("part.removed", "08:40", "thrust washer", condition="serviceable"),
        _moved("part.removed", "08:42", "spring", condition="serviceable"),
        _moved("part.removed", "08:44", "seat", condition="worn"),
        _moved("part.removed", "08:46", "O-ring", quantity=2),
        _moved("part.fitted", "09:00", "seat", new=True, lot="L-88"),
        _moved("part.fitted", "09:02", "O-ring", quantity=2, new=True, lot="L-88"),
        _moved("part.fitted", "09:04", "spring", new=False),
        _moved("part.fitted", "09:06", "thrust washer", new=False),
        entry("lubricant.applied", "09:07", {"lubricant": "PFPE grease", "on": ["O-ring"]}),
        entry("torque.applied", "09:10", {"joint": "plug", "torque": q("31.0 N.m"), "instrument": "TW-5"}),
        entry("torque.applied", "09:14", {"joint": "bonnet", "torque": q("60.0 N.m"), "instrument": "TW-5"}),
        *_counts("09:20", "in"),
        entry("bank.restored", "09:30", {"valves": [{"valve": "left master", "state": "open", "opened": "slowly"}]}),
        entry("setting.adjusted", "09:40", {"turns": q("0.25 turn"), "flow": "flowing", "before": q("611 kPa"),
                                            "after": q("630 kPa"), "instrument": "PG-2"}),
        _read("09:50", "outlet", "as_left", "630.0 kPa", flow="flowing"),
        entry("function.tested", "09:55", {"test": "changeover", "result": "passed"}),
        entry("step.done", "09:57", {"step": 1}),
        entry("note.added", "09:58", {"text": "Seat land clean"}),
        entry("rebuild.closed", "10:00", {"outcome": "returned_to_service"}),
    ]  # fmt: skip


def countersigned(clock: str = "10:30") -> JSON:
    return entry("rebuild.countersigned", clock, {"role": "authorised person"}, by="ruth")


def rebuild(rebuild_id: str = REBUILD, asset: str = "AIR1-LB", day: str = DAY) -> list[JSON]:
    """A whole conforming rebuild with its countersignature, every entry complete by itself and with an id."""
    envelope = {"asset": asset, "rebuild": rebuild_id, "by": "ines"}
    entries = [{**envelope, **copy.deepcopy(one)} for one in [*work(), countersigned()]]
    for one in entries:
        one["occurred_at"] = one["occurred_at"].replace(DAY, day)
    return numbered(entries, rebuild_id)


def numbered(entries: Iterable[JSON], like: str = REBUILD) -> list[JSON]:
    """The same entries with ids of their own, in the family of a rebuild's id."""
    return [{"id": f"{like[:-12]}{number:08x}{like[-4:]}", **one} for number, one in enumerate(entries, 1)]


def find(entries: Iterable[JSON], type_: str, **data: Any) -> JSON:
    """The first entry of a type that says all this."""
    return next(
        one
        for one in entries
        if one["type"] == type_ and all(one["data"].get(name) == said for name, said in data.items())
    )


def corrected(target: str, clock: str = "11:00", why: str = "slip of the pen", **data: Any) -> JSON:
    """A correction: ``withdrawn=True``, or ``data=``, ``occurred_at=``, ``by=`` of the replacement."""
    way = {"withdrawn": True} if data.get("withdrawn") else {"replacement": data}
    return entry("entry.corrected", clock, {"entry": target, "reason": why, **way}, by="otto")


SEAT_FITTED: Final = find(rebuild(), "part.fitted", part="seat")
