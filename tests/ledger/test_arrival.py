"""Late and out of order is normal: any order of arrival folds to the same facts and the same judgement."""

from __future__ import annotations

import uuid
from itertools import pairwise

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.ledger.entry import Entry
from service.ledger.judge import digest_of
from service.ledger.rebuild import fold
from service.merkle.canonical import canonical
from tests.ledger.bench import Bench
from tests.ledger.scenario import (
    DAY,
    FACILITY,
    REBUILD,
    SEAT_FITTED,
    corrected,
    countersigned,
    entry,
    find,
    numbered,
    q,
    rebuild,
    setting_up,
)

HERE = {"asset": "AIR1-LB", "rebuild": REBUILD}
WHOLE = rebuild()
SHARED = [HealthCheck.function_scoped_fixture, HealthCheck.too_slow]

# One slip of each kind, put right or not; the last signature covers the corrections.
TROUBLED = [
    *WHOLE,
    *numbered(
        [
            corrected(find(WHOLE, "torque.applied", joint="bonnet")["id"], "10:40", data={"joint": "bonnet", "torque": q("36.0 N.m")}),
            corrected(find(WHOLE, "torque.applied", joint="bonnet")["id"], "10:45", data={"joint": "bonnet", "torque": q("61.0 N.m"), "instrument": "TW-5"}),
            {**corrected(SEAT_FITTED["id"], "10:46", occurred_at=f"{DAY}T09:01:00-03:00"), **HERE},
            corrected(find(WHOLE, "step.done")["id"], "10:47", withdrawn=True),
            corrected(find(WHOLE, "turns.counted", counted_by="otto")["id"], "10:48", by="otto"),
            corrected(find(WHOLE, "rebuild.opened")["id"], "10:49", data={**find(WHOLE, "rebuild.opened")["data"], "permit": "P-9"}),
            corrected(find(WHOLE, "rebuild.closed")["id"], "10:50", occurred_at=f"{DAY}T10:01:00-03:00"),
            corrected("01981000-0000-7000-8000-00000000dead", "10:51", withdrawn=True),
            {**entry("step.done", "09:59", {"step": 2}), **HERE},
            {**countersigned("10:55"), **HERE},
        ],
        "01981000-0000-7000-8000-0000000000cc",
    ),
]  # fmt: skip


def fresh(store):
    """Another facility in the same database: cheaper than another database."""
    bench = Bench(store, {**FACILITY, "code": f"f{uuid.uuid4().hex[:10]}"})
    bench.post(setting_up())
    return bench


def outcome(bench):
    """What must not depend on the order of arrival."""
    row = bench.rebuild()
    due = [{name: one[name] for name in one if name != "seq"} for one in bench.due("2026-07-20")]
    return (
        row.state,
        row.verdict,
        row.findings,
        row.opened_us,
        row.closed_us,
        row.outcome,
        row.stem,
        due,
        bench.asset("AIR1-LB").out_of_service,
        digest_of(bench.judged()[-1]),
        row.judged_digest,
    )


def deal(order, cuts):
    """The entries in this order, cut into submissions behind these places."""
    dealt = [TROUBLED[place] for place in order]
    bounds = [0, *sorted(cuts), len(dealt)]
    return [dealt[start:end] for start, end in pairwise(bounds) if start < end]


ORDERS = st.permutations(range(len(TROUBLED)))
CUTS = st.sets(st.integers(1, len(TROUBLED) - 1), max_size=6)


@settings(max_examples=25, deadline=None, suppress_health_check=SHARED)
@given(ORDERS, CUTS)
def test_any_order_and_any_cut_into_submissions_comes_to_the_same(quick_bench, order, cuts):
    straight, shuffled = fresh(quick_bench.store), fresh(quick_bench.store)
    straight.post(TROUBLED)
    for body in deal(order, cuts):
        shuffled.post(body)
    assert outcome(shuffled) == outcome(straight)
    assert straight.rebuild().verdict == "conforming"


@settings(max_examples=4, deadline=None, suppress_health_check=SHARED)
@given(ORDERS, CUTS)
def test_on_either_engine_too(bench, order, cuts):
    straight, shuffled = fresh(bench.store), fresh(bench.store)
    straight.post(TROUBLED)
    for body in deal(order, cuts):
        shuffled.post(body)
    assert outcome(shuffled) == outcome(straight)


def test_the_very_last_first(bench):
    straight = fresh(bench.store)
    straight.post(TROUBLED)
    for one in reversed(TROUBLED):
        bench.post(one)
    assert outcome(bench) == outcome(straight)


OFFICE = numbered([
    entry("asset.amended", "07:00", {"patch": {"delivered_pressure": {"flowing": {"low": q("610 kPa")}}}}, asset="AIR1-LB"),
    entry("asset.amended", "07:30", {"patch": {"location": "Roof"}}, asset="AIR1-LB"),
    entry("instrument.calibrated", "07:00", {"instrument": "TW-5", "on": "2026-07-10", "as_left_error_percent": "1.5"}),
    entry("meter.read", "07:00", {"meter": "changeovers", "reading": "905"}, asset="AIR1", day="2026-06-01"),
    entry("meter.read", "07:00", {"meter": "changeovers", "reading": "935"}, asset="AIR1", day="2026-07-16"),
    entry("setting.adjusted", "07:00", {"turns": q("0.5 turn")}, asset="AIR1-LB", day="2026-07-15"),
    entry("facility.amended", "07:00", {"time_zone": "Pacific/Kiritimati", "from_day": "2026-07-14"}),
], "01981000-0000-7000-8000-0000000000dd")  # fmt: skip


@settings(max_examples=15, deadline=None, suppress_health_check=SHARED)
@given(st.permutations(range(len(OFFICE) + 3)))
def test_what_the_office_records_may_come_before_during_or_after_the_work(quick_bench, order):
    second = rebuild("01981000-0000-7000-8000-0000000000bb", day="2026-07-16")
    parts = [*OFFICE, WHOLE[:20], WHOLE[20:], second]
    straight, shuffled = fresh(quick_bench.store), fresh(quick_bench.store)
    for bench, places in ((straight, range(len(parts))), (shuffled, order)):
        for place in places:
            bench.post(parts[place])
    assert outcome(shuffled) == outcome(straight)
    other = "01981000-0000-7000-8000-0000000000bb"
    assert shuffled.findings(other) == straight.findings(other)
    assert digest_of(shuffled.judged(other)[-1]) == digest_of(straight.judged(other)[-1])


# The fold alone


def recorded(entries):
    """As the ledger would keep them, in this order."""
    return [Entry.read(seq, canonical({**one, "seq": seq})) for seq, one in enumerate(entries, 1)]


@given(ORDERS)
def test_the_fold_is_blind_to_arrival(order):
    straight, shuffled = fold(recorded(TROUBLED)), fold(recorded([TROUBLED[place] for place in order]))
    assert list(straight.facts) == list(shuffled.facts)
    assert straight.withdrawn == shuffled.withdrawn
    assert straight.holding == shuffled.holding
    assert [(one.entry.id, one.holds, one.why_not) for one in straight.corrections] == [
        (one.entry.id, one.holds, one.why_not) for one in shuffled.corrections
    ]


@given(st.permutations(range(4)))
def test_facts_of_one_instant_stand_in_the_order_of_their_ids(order):
    same = numbered([{**entry("step.done", "09:00", {"step": step}), **HERE} for step in range(1, 5)])
    facts = fold(recorded([same[place] for place in order])).facts
    assert [fact.data.step for fact in facts] == [1, 2, 3, 4]
