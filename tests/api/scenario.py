"""An invented hospital and one rebuild of it, told with every word the wire contract has.

Everything here is posted as it stands; the instant below is "now" for the service under test.
"""

from __future__ import annotations

import copy
from datetime import UTC, datetime
from typing import Any, Final

NOW: Final = datetime(2026, 6, 1, 12, tzinfo=UTC)
REBUILD: Final = "0198e2b4-7a10-7c3e-9d55-3f1f6a2b7c01"
JSON = dict[str, Any]


def q(text: str) -> dict[str, str]:
    """A quantity as sent, from how one says it: ``q("81.0 N.m")``, ``q("101.3 kPa absolute")``."""
    value, unit, *reference = text.split(" ")
    return {"value": value, "unit": unit, **({"reference": reference[0]} if reference else {})}


def entry(type_: str, clock: str, **members: Any) -> JSON:
    """An entry of the day of the rebuild; members that belong to the envelope go there, the rest is its data."""
    above = {name: members.pop(name) for name in ("id", "asset", "rebuild", "by", "attachments") if name in members}
    return {"type": type_, "occurred_at": f"2026-03-11T{clock}+13:00", **above, "data": copy.deepcopy(members)}


FACILITY: Final[JSON] = {
    "code": "tidewater",
    "name": "Tidewater Point Hospital",
    "time_zone": "Pacific/Auckland",
    "origin": "tidewater.example/gas-regulators",
}
MANIFOLD: Final[JSON] = {"tag": "OX2", "kind": "manifold", "gas": "oxygen", "location": "Cylinder store"}
REGULATOR: Final[JSON] = {
    "tag": "OX2-LB",
    "kind": "bank_regulator",
    "gas": "oxygen",
    "position": "left bank",
    "parent": "OX2",
    "serial": "B-7718",
    "delivered_pressure": {
        "point": "regulator outlet",
        "flowing": {"low": q("390 kPa"), "high": q("430 kPa")},
        "static": {"low": q("390 kPa"), "high": q("460 kPa")},
    },
    "line_pressure": {"point": "line", "low": q("380 kPa"), "high": q("450 kPa")},
    "stem": {"pitch": q("1.25 mm"), "pressure_per_turn": q("60 kPa")},
    "service": [{"procedure": "BR-12", "every": "P2Y", "window": "P30D", "meter": "changeovers", "usage": "400"}],
    "commissioned_on": "2023-02-20",
    "external_ids": [{"system": "maintenance", "id": "A-1187"}],
}
INSTRUMENTS: Final[list[JSON]] = [
    {
        "instrument": "TW-21",
        "kind": "torque_tool",
        "type": "setting",
        "max": q("120 N.m"),
        "min": q("20 N.m"),
        "resolution": q("0.5 N.m"),
        "lever": q("420 mm"),
        "interval": "P12M",
    },
    {
        "instrument": "PG-4",
        "kind": "pressure_gauge",
        "max": q("1000 kPa"),
        "resolution": q("0.1 kPa"),
        "interval": "P12M",
    },
    {"instrument": "TH-1", "kind": "thermometer", "resolution": q("0.1 Cel"), "interval": "P12M"},
]
CALIBRATIONS: Final[list[JSON]] = [
    {
        "instrument": "TW-21",
        "on": "2025-11-03",
        "certificate": "N-1020",
        "of": "reading",
        "uncertainty_percent": "1.0",
        "k": "2",
        "as_found_error_percent": "0.3",
        "as_left_error_percent": "0.1",
    },
    {"instrument": "PG-4", "on": "2025-11-03", "certificate": "N-1021", "of": "span", "uncertainty_percent": "0.05"},
    {"instrument": "TH-1", "on": "2025-11-03", "certificate": "N-1022", "uncertainty": q("0.2 Cel"), "k": "2"},
]
PROCEDURE: Final[JSON] = {
    "code": "BR-12",
    "revision": 1,
    "title": "Bank regulator, soft goods",
    "applies_to": ["bank_regulator"],
    "satisfies": ["BR-11"],
    "cautions": ["Keep oil and grease away from oxygen.", "Zero on a gauge is not zero in the dome."],
    "tools": [{"tool": "socket", "across_flats": q("2 in")}, {"tool": "soft brush"}],
    "zero_pressure": {"hold": "PT2M", "points": [{"point": "regulator outlet", "limit": q("2 kPa")}]},
    "turns": {"tolerance": q("0.25 turn"), "resolution": q("0.25 turn"), "counters": 2},
    "joints": [
        {
            "joint": "bonnet",
            "fastener": "bonnet ring",
            "torque": q("44 ft.lbf"),
            "also": q("60 N.m"),
            "tolerance_percent": "5",
            "acceptance": "guarded",
            "confidence": "0.95",
        },
        {"joint": "seat", "low": q("28 N.m"), "high": q("32 N.m")},
    ],
    "kit": {
        "number": "K12",
        "substitutes": ["K12-A"],
        "parts": [
            {"part": "seat", "action": "replace", "quantity": 1, "joint": "seat", "substitutes": ["seat, mark 2"]},
            {"part": "O-ring", "action": "replace", "polymer": "FKM", "shelf_life": "ISO 2230:2002"},
            {"part": "spring", "action": "reuse"},
        ],
    },
    "lubricant": {"named": ["PFPE grease"], "on": ["O-ring"]},
    "leak_test": {"sections": ["outlet"], "limit": q("0.005 Pa.m3/s")},
    "lockup": {"max_rise_percent": "15", "settle": "PT1M", "observe": "PT15M", "creep_limit": q("3 kPa")},
    "functions": ["changeover"],
    "notice": True,
    "supply": True,
    "endurance": {"margin": "1.5"},
    "countersign": {"own_credential": False},
    "before": [["zero_pressure", "turns.counted:out"], ["torque.applied", "bank.restored"]],
    "steps": [{"number": 1, "does": "Lay out a clean bench", "records": "step.done"}],
}
WORK: Final[list[JSON]] = [
    entry("notice.given", "08:00:00", to=["ward 1", "control room"], when="before"),
    entry(
        "rebuild.opened",
        "08:10:00",
        procedure="BR-12",
        revision=1,
        reason="scheduled",
        kit="K12",
        kit_lot="L-0926",
        permit="P-88",
        crew=["tech-03", "tech-05"],
        work_order="W-301",
        expected_duration="PT3H",
    ),
    entry("pressure.read", "08:12:00", point="regulator outlet", phase="as_found", flow="flowing",
          pressure=q("405.0 kPa"), instrument="PG-4"),
    entry(
        "bank.isolated",
        "08:15:00",
        valves=[{"valve": "left bank master", "state": "closed", "lock": "L-3"}],
        companion={
            "cylinders": 6,
            "water_volume": q("50 L"),
            "pressure": q("130 bar"),
            "temperature": q("18 Cel"),
            "reserve_pressure": q("15 bar"),
            "gas": "oxygen",
        },
        demand=q("80 L/min"),
    ),
    entry("pressure.read", "08:20:00", point="regulator outlet", phase="isolated", vent_open=True,
          pressure=q("0.0 kPa"), instrument="PG-4"),
    entry("pressure.read", "08:25:00", point="regulator outlet", phase="isolated", vent_open=True,
          pressure=q("0.0 kPa"), instrument="PG-4"),
    entry("pressure.read", "08:26:00", point="line", phase="during", pressure=q("410 kPa"), gauge="line gauge",
          resolution=q("5 kPa")),
    entry("turns.counted", "08:30:00", direction="out", turns=q("7.5 turn"), counted_by="tech-03", marks_aligned=True),
    entry("turns.counted", "08:30:20", direction="out", turns=q("7.5 turn"), counted_by="tech-05", marks_aligned=True),
    entry("part.removed", "08:40:00", part="seat", condition="worn", quantity=1, note="scored"),
    entry("part.removed", "08:41:00", part="O-ring", condition="worn"),
    entry("part.removed", "08:42:00", part="spring", condition="serviceable"),
    entry("part.fitted", "09:00:00", part="seat", new=True, quantity=1, lot="L-0926", note="from the kit"),
    entry("part.fitted", "09:01:00", part="O-ring", new=True, lot="L-0926", cured="1Q2025", polymer="FKM"),
    entry("part.fitted", "09:02:00", part="spring", new=False, cleaned=True),
    entry("lubricant.applied", "09:03:00", lubricant="PFPE grease", lot="G-12", expires="2028-01-31", on=["O-ring"]),
    entry("torque.applied", "09:20:00", joint="seat", torque=q("30.0 N.m"), instrument="TW-21", fastener="seat",
          extension={"length": q("0 mm"), "angle": q("0 deg")}),
    entry("torque.applied", "09:29:00", joint="bonnet", torque=q("30.0 ft.lbf"), instrument="TW-21",
          stage="intermediate"),
    entry("torque.applied", "09:30:00", joint="bonnet", torque=q("44.0 ft.lbf"), instrument="TW-21", stage="final"),
    entry("turns.counted", "09:40:00", direction="in", turns=q("7.5 turn"), agreed_by=["tech-03", "tech-05"],
          marks_aligned=True),
    entry("bank.restored", "09:45:00",
          valves=[{"valve": "left bank master", "state": "open", "opened": "slowly"}]),
    entry("setting.adjusted", "09:50:00", turns=q("-0.25 turn"), flow="flowing", before=q("418 kPa"),
          after=q("405.0 kPa"), instrument="PG-4"),
    entry(
        "leak.tested",
        "10:30:00",
        method="decay",
        section="outlet",
        volume=q("1.5 L"),
        fed_by=[],
        closed=["left bank master", "left bank outlet"],
        readings=[
            {"at": "2026-03-11T10:00:00+13:00", "pressure": q("405.0 kPa"), "temperature": q("19.0 Cel")},
            {"at": "2026-03-11T10:30:00+13:00", "pressure": q("404.8 kPa"), "temperature": q("19.0 Cel")},
        ],
        atmosphere=q("101.3 kPa absolute"),
        instrument="PG-4",
        thermometer="TH-1",
    ),
    entry(
        "lockup.tested",
        "10:50:00",
        section="outlet",
        volume=q("1.5 L"),
        inlet=q("130 bar"),
        flow=q("80 L/min"),
        flowing=q("405.0 kPa"),
        instrument="PG-4",
        thermometer="TH-1",
        readings=[
            {"after": "PT1M", "pressure": q("420.0 kPa"), "temperature": q("19.0 Cel")},
            {"after": "PT16M", "pressure": q("420.2 kPa"), "temperature": q("19.0 Cel")},
        ],
    ),
    entry("pressure.read", "11:00:00", point="regulator outlet", phase="as_left", flow="flowing",
          pressure=q("405.0 kPa"), instrument="PG-4"),
    entry("pressure.read", "11:01:00", point="regulator outlet", phase="as_left", flow="static",
          pressure=q("420.0 kPa"), instrument="PG-4"),
    entry("function.tested", "11:05:00", test="changeover", result="passed", note="twice",
          readings=[{"what": "bank pressure at changeover", "value": q("14 bar"), "low": q("12 bar"),
                     "high": q("16 bar")}]),
    entry("step.done", "11:06:00", step=1, note="bench wiped down"),
    entry("notice.given", "11:10:00", to=["ward 1", "control room"], when="after"),
    entry("rebuild.closed", "11:15:00", outcome="returned_to_service", reason="all done"),
    entry("rebuild.countersigned", "11:40:00", by="sup-01", role="authorised person"),
]  # fmt: skip
DEFAULTS: Final[JSON] = {"asset": "OX2-LB", "rebuild": REBUILD, "by": "tech-03"}
BODY: Final[JSON] = {"defaults": DEFAULTS, "entries": WORK, "sent_at": "2026-03-11T12:00:00+13:00"}
HERE: Final[JSON] = {"asset": "OX2-LB", "rebuild": REBUILD, "by": "tech-05"}
TORQUE_ID: Final = "0198e2b4-7a10-7c3e-9d55-3f1f6a2b7c10"
BESIDE: Final[list[JSON]] = [
    entry("note.added", "12:00:00", **HERE, text="Seat land lightly scored", crew=["tech-08", "tech-09"],
          attachments=[{"sha256": "ab" * 32, "media_type": "image/jpeg", "name": "seat.jpg"}]),
    entry("finding.accepted", "12:01:00", **HERE, check="turns", subject="stem", reason="no spare", authority="AE"),
    entry("meter.read", "12:02:00", asset="OX2", meter="changeovers", reading="310",
          replaced={"final_reading": "9120"}),
    entry("instrument.event", "12:03:00", instrument="TH-1", event="dropped", note="from the bench"),
    entry("entry.corrected", "12:04:00", entry=TORQUE_ID, reason="typed twice", withdrawn=True),
    entry("entry.corrected", "12:05:00", entry=TORQUE_ID, reason="clock an hour fast",
          replacement={"occurred_at": "2026-03-11T09:30:00+13:00", "by": "tech-05",
                       "data": {"joint": "bonnet", "torque": q("44.0 ft.lbf")}}),
    entry("leak.tested", "10:31:00", **HERE, method="bubble", section="gauge port", fluid="approved for oxygen",
          pressure=q("405 kPa"), watched="PT2M", result="no_bubbles"),
    entry("asset.amended", "12:06:00", asset="OX2-LB", patch={"position": "left bank, lower"}),
    entry("asset.exchanged", "12:07:00", asset="OX2-LB", serial_out="B-7718", serial_in="B-9001", reason="cracked"),
    entry("asset.retired", "12:08:00", asset="OX2", reason="manifold replaced"),
    entry("facility.amended", "12:09:00", name="Tidewater Point", time_zone="Pacific/Chatham", from_day="2026-04-01"),
]  # fmt: skip
"""The entry types that the body above does without."""


def registered() -> list[JSON]:
    """Everything that must be known before the rebuild, as entries."""
    start = "2026-01-05T09:00:00+13:00"
    assets = [{"type": "asset.registered", "asset": one["tag"], "data": one} for one in (MANIFOLD, REGULATOR)]
    tools = [{"type": "instrument.registered", "data": one} for one in INSTRUMENTS]
    papers = [{"type": "instrument.calibrated", "data": one} for one in CALIBRATIONS]
    return [{**one, "occurred_at": start} for one in (*assets, *tools, *papers, _published())]


def _published() -> JSON:
    return {"type": "procedure.published", "data": PROCEDURE}
