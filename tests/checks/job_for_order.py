"""One rebuild from isolation to countersignature, an invented scenario, and ways to change it.

Left bank of an oxygen manifold in a hospital on Newfoundland time; clocks are local, to the second where it matters.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from pydantic import BaseModel

from service.checks.finding import Finding
from service.checks.job import Fact, Facts, InstrumentRecord, Job
from service.entries.asset import AssetRegistered
from service.entries.catalogue import ENTRY_TYPES
from service.entries.instrument import InstrumentCalibrated, InstrumentRegistered
from service.entries.procedure import ProcedurePublished

ZONE = ZoneInfo("America/St_Johns")
DAY = "2026-06-09"


def local(clock: str, day: str = DAY) -> datetime:
    return datetime.fromisoformat(f"{day}T{clock}").replace(tzinfo=ZONE)


def q(text: str) -> dict[str, str]:
    """A quantity as sent: ``q("45 N.m")``, ``q("101.3 kPa absolute")``."""
    value, unit, *reference = text.split(" ")
    return {"value": value, "unit": unit, **({"reference": reference[0]} if reference else {})}


def fact(
    kind: str,
    clock: str,
    *,
    by: str | None = "ruth",
    credential: str | None = "bench tablet",
    day: str = DAY,
    **data: Any,
) -> Fact[BaseModel]:
    model = ENTRY_TYPES[kind].data.model_validate(data)
    words = " ".join(value for value in data.values() if isinstance(value, str))
    return Fact(f"{day} {clock} {kind} {words}", kind, local(clock, day), model, by, credential, "OX2-LB")


def read(clock: str, point: str, phase: str, pressure: str, **data: Any) -> Fact[BaseModel]:
    """A pressure on the digital gauge DG-2, unless a fixed gauge is named."""
    if "gauge" not in data and "instrument" not in data:
        data["instrument"] = "DG-2"
    return fact("pressure.read", clock, point=point, phase=phase, pressure=q(pressure), **data)


def header(clock: str, phase: str, pressure: str, **data: Any) -> Fact[BaseModel]:
    """The bank's own gauge: 10 bar a division."""
    return read(clock, "header", phase, pressure, gauge="left bank gauge", resolution=q("10 bar"), **data)


def instrument(registered: Mapping[str, Any], *certificates: Mapping[str, Any]) -> InstrumentRecord:
    return InstrumentRecord(
        InstrumentRegistered.model_validate(registered).root,
        tuple(
            InstrumentCalibrated.model_validate({"instrument": registered["instrument"], **of}) for of in certificates
        ),
    )


# U = 0.2 kPa (k = 2) and nothing from the resolution, so that limits can be met to the last digit.
DG_2 = instrument(
    {"instrument": "DG-2", "kind": "pressure_gauge", "max": q("1600 kPa")},
    {"on": "2026-03-02", "uncertainty": q("0.2 kPa"), "k": "2"},
)

ZERO = {
    "hold": "PT5M",
    "points": [
        {"point": "header", "limit": q("2 kPa")},
        {"point": "outlet", "limit": q("2 kPa")},
        {"point": "loading dome", "limit": q("2 kPa")},
    ],
}

PROCEDURE = {
    "code": "SG-7",
    "revision": 4,
    "title": "Soft-goods rebuild, dome-loaded",
    "zero_pressure": ZERO,
    "turns": {"tolerance": q("0.25 turn"), "counters": 2},
    "joints": [
        {"joint": "bonnet", "torque": q("45 N.m"), "tolerance_percent": "8"},
        {"joint": "bottom plug", "torque": q("30 N.m"), "tolerance_percent": "8"},
    ],
    "kit": {
        "number": "SG-7K",
        "parts": [
            {"part": "main seat", "action": "replace", "substitutes": ["main seat B"]},
            {"part": "bias spring", "action": "reuse"},
        ],
    },
    "leak_test": {"sections": ["outlet", "header"], "limit": q("0.01 Pa.m3/s")},
    "lockup": {"max_rise_percent": "20"},
    "functions": ["changeover", "high alarm"],
    "countersign": {"own_credential": True},
    "before": [
        ("zero_pressure", "turns.counted:out"),
        ("turns.counted:out", "part.removed"),
        ("part.fitted", "torque.applied"),
        ("torque.applied:bottom plug", "torque.applied:bonnet"),
        ("torque.applied", "bank.restored"),
        ("step.done:9", "rebuild.closed"),
    ],
}

REGISTER = {
    "tag": "OX2-LB",
    "kind": "bank_regulator",
    "gas": "oxygen",
    "stem": {"pressure_per_turn": q("80 kPa")},
    "delivered_pressure": {
        "point": "outlet",
        "flowing": {"low": q("850 kPa"), "high": q("910 kPa")},
        "static": {"low": q("850 kPa"), "high": q("950 kPa")},
    },
}


OPENED = {"procedure": "SG-7", "revision": 4, "reason": "scheduled", "crew": ["ruth", "iver"]}


def opening() -> list[Fact[BaseModel]]:
    return [
        fact("rebuild.opened", "13:00:00", by="clerk", credential="office", **OPENED),
        header("13:04:00", "as_found", "140 bar"),
        read("13:05:00", "outlet", "as_found", "872.4 kPa", flow="flowing"),
    ]


def isolated(clock: str, **data: Any) -> Fact[BaseModel]:
    """The bank shut off: its master valve closed and locked."""
    return fact(
        "bank.isolated", clock, **{"valves": [{"valve": "left master", "state": "closed", "lock": "9"}], **data}
    )


def isolation() -> list[Fact[BaseModel]]:
    """Isolated and proven: each point twice, five minutes apart."""
    return [
        isolated("13:10:00"),
        header("13:20:00", "isolated", "0 bar", vent_open=True),
        read("13:20:30", "outlet", "isolated", "0.1 kPa"),
        read("13:21:00", "loading dome", "isolated", "0.3 kPa"),
        header("13:25:00", "isolated", "0 bar", vent_open=True),
        read("13:25:30", "outlet", "isolated", "0.1 kPa"),
        read("13:26:00", "loading dome", "isolated", "0.2 kPa"),
    ]


def work() -> list[Fact[BaseModel]]:
    return [
        fact("turns.counted", "13:30:00", direction="out", turns=q("9.5 turn"), counted_by="ruth"),
        fact("turns.counted", "13:30:20", direction="out", turns=q("9.5 turn"), counted_by="iver"),
        fact("part.removed", "13:40:00", part="bias spring"),
        fact("part.removed", "13:42:00", part="main seat"),
        fact("part.fitted", "13:55:00", part="main seat B", new=True),
        fact("part.fitted", "13:58:00", part="bias spring", new=False),
        fact("torque.applied", "14:04:00", joint="bottom plug", torque=q("30 N.m")),
        fact("torque.applied", "14:05:00", joint="bonnet", torque=q("20 N.m"), stage="intermediate"),
        fact("torque.applied", "14:09:00", joint="bonnet", torque=q("45 N.m")),
        fact("bank.restored", "14:20:00"),
        fact("setting.adjusted", "14:26:00", turns=q("0.25 turn")),
    ]


def counted_in() -> list[Fact[BaseModel]]:
    return [
        fact("turns.counted", "14:12:00", direction="in", turns=q("9.5 turn"), counted_by="ruth"),
        fact("turns.counted", "14:12:10", direction="in", turns=q("9.5 turn"), counted_by="iver"),
    ]


def decay(section: str, begun: str, ended: str) -> Fact[BaseModel]:
    readings = [
        {"at": local(clock).isoformat(), "pressure": q("880.0 kPa"), "temperature": q("19.0 Cel")}
        for clock in (begun, ended)
    ]
    return fact("leak.tested", ended, method="decay", section=section, readings=readings)


def proving() -> list[Fact[BaseModel]]:
    closure = [{"after": "PT1M", "pressure": q("901 kPa")}]
    return [
        decay("outlet", "14:30:00", "14:50:00"),
        fact("leak.tested", "14:55:00", method="bubble", section="header", result="no_bubbles"),
        fact("lockup.tested", "15:05:00", flowing=q("880 kPa"), readings=closure),
        read("15:10:00", "outlet", "as_left", "881.0 kPa", flow="flowing"),
        read("15:12:00", "outlet", "as_left", "903.0 kPa", flow="static"),
        fact("function.tested", "15:20:00", test="changeover", result="passed"),
        fact("function.tested", "15:24:00", test="high alarm", result="passed"),
        fact("step.done", "15:28:00", step=9),
    ]


def ending() -> list[Fact[BaseModel]]:
    return [closed(), countersigned()]


def closed(clock: str = "15:30:00", **envelope: Any) -> Fact[BaseModel]:
    return fact("rebuild.closed", clock, outcome="returned_to_service", **envelope)


def countersigned(clock: str = "16:00:00", **envelope: Any) -> Fact[BaseModel]:
    signer = {"by": "maud", "credential": "maud's own", **envelope}
    return fact("rebuild.countersigned", clock, role="authorised person", **signer)


def rebuild() -> list[Fact[BaseModel]]:
    """All of it, in order and in band."""
    return [*opening(), *isolation(), *work(), *proving(), *ending()]


def without(facts: Iterable[Fact[BaseModel]], *words: str) -> list[Fact[BaseModel]]:
    """All facts but those whose id (day, time, type, what it says) holds one of the words; each word must have held."""
    facts = list(facts)
    for word in words:
        assert any(word in one.id for one in facts), word
    return [one for one in facts if not any(word in one.id for word in words)]


def job(
    facts: Iterable[Fact[BaseModel]],
    *,
    procedure: Mapping[str, Any] | None = None,
    register: Mapping[str, Any] | None = None,
    **members: Any,
) -> Job:
    """The rebuild by SG-7, members of procedure and register replaced (None takes one away)."""
    return Job(
        procedure=ProcedurePublished.model_validate(_merged(PROCEDURE, procedure)),
        register=AssetRegistered.model_validate(_merged(REGISTER, register)),
        facts=Facts(facts),
        instruments=members.pop("instruments", {"DG-2": DG_2}),
        zone=ZONE,
        **members,
    )


def _merged(whole: Mapping[str, Any], changes: Mapping[str, Any] | None) -> dict[str, Any]:
    return {name: value for name, value in {**whole, **(changes or {})}.items() if value is not None}


def found(check: Callable[[Job], Iterator[Finding]], judged: Job) -> dict[str, Finding]:
    """Findings by subject; no subject stands twice."""
    findings = list(check(judged))
    by_subject = {finding.subject: finding for finding in findings}
    assert len(by_subject) == len(findings)
    return by_subject


def verdicts(check: Callable[[Job], Iterator[Finding]], judged: Job) -> dict[str, str]:
    return {subject: finding.verdict for subject, finding in found(check, judged).items()}
