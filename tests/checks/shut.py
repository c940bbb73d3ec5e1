"""Sections shut for a test: gauges, thermometers, decays and lock-ups, as they would be sent. Invented values."""

from datetime import timedelta

from tests.checks.building import at, by_subject, fact, instrument, job, opened
from tests.checks.job_for_order import q

GAUGE = instrument(
    {"instrument": "PG-9", "kind": "pressure_gauge", "max": q("1000 kPa"), "resolution": q("0.1 kPa")},
    [{"on": "2026-02-02", "of": "span", "uncertainty_percent": "0.05", "k": "2"}],
)
THERMOMETER = instrument({"instrument": "TH-3", "kind": "thermometer", "resolution": q("0.1 Cel")})
BOTH = (GAUGE, THERMOMETER)
LIMIT = "0.005 Pa.m3/s"


def with_resolutions(pressure, temperature):
    """A gauge and a thermometer of those resolutions."""
    return (
        instrument({"instrument": "PG-9", "kind": "pressure_gauge", "resolution": q(pressure)}),
        instrument({"instrument": "TH-3", "kind": "thermometer", "resolution": q(temperature)}),
    )


FINE = with_resolutions("0.000001 kPa", "0.000001 Cel")
"""So fine that the arithmetic alone decides."""


def _reading(written):
    pressure, _, temperature = written.partition(" at ")
    return {"pressure": q(pressure), **({"temperature": q(temperature)} if temperature else {})}


def decay(start, end, seconds=1800, *, begun="10:20:00", section="outlet", **members):
    """A decay from one reading to another, each as ``712.0 kPa at 20.0 Cel``; None takes a member away."""
    readings = [
        {"at": (at(begun) + timedelta(seconds=after)).isoformat(), **_reading(written)}
        for after, written in ((0, start), (seconds, end))
    ]
    data = {
        "method": "decay",
        "section": section,
        "volume": q("1.8 L"),
        "fed_by": [],
        "closed": ["master"],
        "readings": readings,
        "atmosphere": q("101.3 kPa absolute"),
        "instrument": "PG-9",
        "thermometer": "TH-3",
        **members,
    }
    return fact(
        "leak.tested",
        begun,
        {name: value for name, value in data.items() if value is not None},
        id=f"decay {section} {begun}",
    )


def bubbles(result="no_bubbles", clock="11:00:00", section="outlet", pressure="700 kPa", watched="PT2M"):
    said = {"pressure": pressure and q(pressure), "watched": watched}
    known = {name: value for name, value in said.items() if value}
    return fact("leak.tested", clock, {"method": "bubble", "section": section, "result": result, **known})


def lockup(*readings, flowing="690.0 kPa", clock="11:10:00", **members):
    """A lock-up with readings as ``("PT1M", "712.0 kPa at 20.0 Cel")``."""
    data = {
        "section": "outlet",
        "volume": q("1.8 L"),
        "flowing": q(flowing),
        "atmosphere": q("101.3 kPa absolute"),
        "instrument": "PG-9",
        "thermometer": "TH-3",
        "readings": [{"after": after, **_reading(written)} for after, written in readings],
        **members,
    }
    return fact("lockup.tested", clock, {name: value for name, value in data.items() if value is not None})


def judged(check, *facts, asks, instruments=BOTH, **more):
    """Findings by subject of a rebuild by a procedure that asks for ``asks`` alone."""
    return by_subject(check(job(opened(), *facts, asks=asks, instruments=instruments, **more)))
