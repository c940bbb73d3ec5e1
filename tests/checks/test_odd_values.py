"""Whatever can be recorded can be judged: no fact, however odd, breaks a check."""

from __future__ import annotations

from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.checks.catalogue import CHECKS
from service.checks.finding import Finding
from tests.checks.building import DAY, at, fact, instrument, job, opened
from tests.checks.job_for_order import q

NUMBERS = st.sampled_from(
    ["0", "0.0", "0.000000000000000001", "1", "20", "273.15", "101.325", "700.0", "999999999999999999"]
)
NEGATIVE = st.sampled_from(["-101.325", "-1", "-0.0", "0", "700"])
SPANS = st.sampled_from(["PT0S", "PT1S", "PT1M", "PT15M", "P1D", "P99999D", "PT999999S"])


def maybe(strategy):
    return st.none() | strategy


def quantity(*units, numbers=NUMBERS):
    return st.builds(lambda value, unit: {"value": value, "unit": unit}, numbers, st.sampled_from(units))


PRESSURE = st.one_of(
    quantity("kPa", "bar", "psi"),
    quantity("kPa", numbers=NEGATIVE),
    quantity("kPa", "mmHg").map(lambda one: {**one, "reference": "absolute"}),
)
TEMPERATURE = quantity("K", "Cel", "[degF]")
VOLUME, STEP, HEAT = quantity("L", "m3"), quantity("kPa", "bar"), quantity("K", "Cel")


def present(**members):
    return st.fixed_dictionaries(members).map(
        lambda data: {name: value for name, value in data.items() if value is not None}
    )


def _decay(data):
    readings = [
        {"at": (at("10:00") + timedelta(seconds=one.pop("after"))).isoformat(), **one} for one in data.pop("readings")
    ]
    return fact("leak.tested", "10:50", {**data, "readings": readings})


DECAY = present(
    method=st.just("decay"), section=st.just("outlet"), volume=maybe(VOLUME), fed_by=maybe(st.just([])), closed=st.just(["v"]),
    readings=st.lists(present(after=st.integers(0, 10**7), pressure=PRESSURE, temperature=maybe(TEMPERATURE)), min_size=1, max_size=3),
    atmosphere=maybe(PRESSURE), instrument=maybe(st.just("G")), thermometer=maybe(st.just("T")),
).map(_decay)  # fmt: skip
LOCKUP = present(
    section=maybe(st.just("outlet")), volume=maybe(VOLUME), flowing=PRESSURE, atmosphere=maybe(PRESSURE),
    instrument=maybe(st.just("G")), thermometer=maybe(st.just("T")),
    readings=st.lists(present(after=SPANS, pressure=PRESSURE, temperature=maybe(TEMPERATURE)), min_size=1, max_size=4),
).map(lambda data: fact("lockup.tested", "11:10", data))  # fmt: skip
BUBBLES = present(
    method=st.just("bubble"), section=st.just("outlet"), result=st.sampled_from(["bubbles", "no_bubbles"]),
    pressure=maybe(PRESSURE), watched=maybe(SPANS),
).map(lambda data: fact("leak.tested", "11:00", data))  # fmt: skip
COMPANION = present(
    cylinders=maybe(st.sampled_from([1, 10_000])), water_volume=maybe(VOLUME), pressure=maybe(PRESSURE),
    temperature=maybe(TEMPERATURE), reserve_pressure=maybe(PRESSURE),
    gas=maybe(st.sampled_from(["oxygen", "helium", "nitrous_oxide", "unheard_of"])),
)  # fmt: skip
ISOLATED = present(companion=maybe(COMPANION), demand=maybe(quantity("L/min", "m3/h"))).map(
    lambda data: fact("bank.isolated", "08:40", data)
)
FITTED = present(
    part=st.sampled_from(["ring", "other"]), new=st.booleans(), quantity=st.sampled_from([1, 10_000]),
    cured=maybe(st.sampled_from(["2Q24", "9999-12-31", "4Q9999", "3/94", "31/12/9999", "Q", "٢Q2024", "1/1/1"])),
    polymer=maybe(st.sampled_from(["FKM", "nbr 70", "?", "ß"])),
).map(lambda data: fact("part.fitted", "09:20", data))  # fmt: skip
APPLIED = present(lubricant=st.sampled_from(["grease", "x"]), expires=maybe(st.sampled_from(["1900-01-01", "9999-12-31"])),
                  on=st.sampled_from([[], ["ring"], ["other"]])).map(lambda data: fact("lubricant.applied", "09:25", data))  # fmt: skip
READ = present(
    point=st.sampled_from(["line", "outlet"]), phase=st.sampled_from(["during", "as_left", "isolated"]), pressure=PRESSURE,
    flow=maybe(st.sampled_from(["static", "flowing"])), instrument=maybe(st.sampled_from(["G", "T", "nobody"])),
).map(lambda data: fact("pressure.read", "09:00", data))  # fmt: skip
TESTED = present(
    test=st.sampled_from(["changeover", "alarm"]), result=st.sampled_from(["passed", "failed"]),
    readings=st.lists(present(what=st.just("x"), value=quantity("kPa", "Cel", "L"), low=maybe(quantity("bar", "K")),
                              high=maybe(quantity("mL", "psi"))), max_size=2),
).map(lambda data: fact("function.tested", "11:28", data))  # fmt: skip
GAUGE = present(instrument=st.just("G"), kind=st.just("pressure_gauge"), max=maybe(PRESSURE), min=maybe(PRESSURE),
                resolution=maybe(STEP), class_percent=maybe(NUMBERS), interval=maybe(st.just("P999Y")))  # fmt: skip
HEAT_GAUGE = present(
    instrument=st.just("T"), kind=st.just("thermometer"), max=maybe(TEMPERATURE), resolution=maybe(HEAT)
)
PAPERS = st.lists(
    present(on=st.sampled_from(["1900-01-01", DAY, "9999-12-31"]), of=st.sampled_from(["reading", "span"]), k=maybe(NUMBERS),
            as_left_error_percent=maybe(NEGATIVE), valid_until=maybe(st.sampled_from(["1900-01-01", "9999-12-31"]))),
    max_size=2,
)  # fmt: skip
ASKS = st.fixed_dictionaries(
    {
        "leak_test": present(sections=st.just(["outlet"]), limit=quantity("Pa.m3/s", "sccm")),
        "lockup": present(max_rise_percent=NUMBERS, settle=maybe(SPANS), observe=maybe(SPANS), creep_limit=maybe(STEP)),
        "endurance": present(margin=NUMBERS),
        "lubricant": present(named=st.just(["grease"]), on=st.sampled_from([[], ["ring"]])),
        "functions": st.just(["changeover"]),
        "supply": st.just(value=True),
        "notice": st.just(value=True),
        "kit": st.just({"number": "K", "parts": [{"part": "ring", "action": "replace", "shelf_life": "ISO 2230"}]}),
    }
)
REGISTER = present(gas=st.sampled_from(["oxygen", "medical_air"]),
                   line_pressure=maybe(st.just({"point": "line", "low": q("0 kPa"), "high": q("900 kPa")})))  # fmt: skip
FACTS = st.lists(
    st.one_of(DECAY, LOCKUP, BUBBLES, ISOLATED, FITTED, APPLIED, READ, TESTED), max_size=5, unique_by=lambda one: one.id
)


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.name)
def test_no_fact_breaks_a_check(check):
    @given(FACTS, ASKS, REGISTER, GAUGE, HEAT_GAUGE, PAPERS, maybe(SPANS))
    def judged(facts, asks, register, gauge, thermometer, papers, expected):
        opening = opened(**({"expected_duration": expected} if expected else {}))
        records = [instrument(gauge, papers), instrument(thermometer, papers)]
        for finding in check.run(job(opening, *facts, asks=asks, register=register, instruments=records)):
            assert isinstance(finding, Finding)
            assert finding.says
            assert finding.verdict != "inconclusive" or finding.advice, finding

    judged()
