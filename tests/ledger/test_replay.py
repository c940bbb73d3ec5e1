"""Views can be thrown away: made again from the entries they are what they were."""

from __future__ import annotations

from contextlib import suppress

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.entries.refusals import Refusal
from service.store import remake, views
from service.store.engine import Store
from tests.ledger.bench import Bench
from tests.ledger.scenario import (
    FACILITY,
    PROCEDURE,
    REBUILD,
    SEAT_FITTED,
    corrected,
    entry,
    find,
    numbered,
    q,
    rebuild,
    setting_up,
)

SECOND = "01981000-0000-7000-8000-0000000000bb"
THIRD = "01981000-0000-7000-8000-0000000000cc"
WHOLE, AGAIN = rebuild(), rebuild(SECOND, day="2026-07-16")
PLAN = {"procedure": "BR-3", "every": "P1Y", "meter": "hours", "usage": "900"}
MANIFOLD = {"kind": "manifold", "gas": "medical_air"}

# Everything an office and a workshop may do to one manifold, each line a submission; ids where a correction names them.
HISTORY = [
    WHOLE[:12],
    WHOLE[12:],
    AGAIN[20:],
    AGAIN[:20],
    numbered(
        [
            entry("meter.read", "07:00", {"meter": "changeovers", "reading": "10"}, asset="AIR1", day="2026-04-01"),
            entry("meter.read", "07:00", {"meter": "changeovers", "reading": "300"}, asset="AIR1", day="2026-07-15"),
            entry(
                "meter.read",
                "07:00",
                {"meter": "changeovers", "reading": "4", "replaced": {"final_reading": "302"}},
                asset="AIR1",
                day="2026-07-17",
            ),
            entry("asset.registered", "07:00", {**MANIFOLD, "parent": "AIR1", "service": [PLAN]}, asset="A-0"),
            entry("asset.exchanged", "07:00", {"serial_in": "S-300"}, asset="AIR1-LB", day="2026-07-15"),
            entry(
                "asset.amended",
                "06:00",
                {"patch": {"delivered_pressure": {"flowing": {"low": q("640 kPa")}}}},
                asset="AIR1-LB",
            ),
            entry("instrument.registered", "07:00", {"instrument": "TW-9", "kind": "torque_tool", "type": "setting"}),
            entry(
                "instrument.calibrated",
                "07:00",
                {"instrument": "TW-5", "on": "2026-07-10", "as_left_error_percent": "9"},
            ),
            entry("setting.adjusted", "07:00", {"turns": q("1 turn")}, asset="AIR1-LB", day="2026-07-15"),
        ],
        THIRD,
    ),
    entry("asset.registered", "07:01", MANIFOLD, asset="AIR2"),
    entry("meter.read", "07:00", {"meter": "hours", "reading": "100"}, asset="AIR2", day="2026-01-01"),
    entry("meter.read", "07:00", {"meter": "hours", "reading": "400"}, asset="AIR2", day="2026-07-01"),
    entry("asset.amended", "07:02", {"patch": {"parent": "AIR2"}}, asset="AIR1"),
    entry("asset.amended", "07:03", {"patch": {"serial": "S-205", "service": [PLAN]}}, asset="AIR1-LB"),
    entry("facility.amended", "07:00", {"time_zone": "Pacific/Auckland", "from_day": "2026-07-01"}),
    entry("facility.amended", "07:00", {"name": "Ferrow"}),
    entry("instrument.event", "07:00", {"instrument": "PG-2", "event": "dropped"}),
    entry("procedure.published", "07:00", {**PROCEDURE, "revision": 2, "satisfies": ["BR-1"]}),
    entry("asset.retired", "07:05", {}, asset="A-0"),
    entry("note.added", "07:00", {"text": "by the way"}, asset="AIR1", rebuild=THIRD),
    {
        "entries": numbered(
            [
                corrected(SEAT_FITTED["id"], data={"part": "seat", "new": False}),
                corrected(SEAT_FITTED["id"], "11:30", withdrawn=True),
                corrected(find(WHOLE, "rebuild.opened")["id"], occurred_at="2026-07-17T06:00:00-03:00"),
                corrected(
                    find(AGAIN, "rebuild.opened")["id"], data={**find(AGAIN, "rebuild.opened")["data"], "revision": 2}
                ),
                corrected(find(AGAIN, "rebuild.closed")["id"], withdrawn=True),
                corrected(
                    find(AGAIN, "torque.applied")["id"],
                    data={"joint": "plug", "torque": q("31 N.m"), "instrument": "TW-9"},
                ),
            ],
            "01981000-0000-7000-8000-0000000000dd",
        )[3:]
    },
    *[
        {
            **corrected(f"01981000-0000-7000-8000-{number:08x}00cc", **way),
            "id": f"01981000-0000-7000-8000-{number:08x}00ee",
        }
        for number, way in (
            (2, {"data": {"meter": "changeovers", "reading": "200"}}),
            (4, {"data": {**MANIFOLD, "gas": "nitrogen", "service": [PLAN]}}),
            (5, {"withdrawn": True}),
            (6, {"withdrawn": True}),
            (7, {"withdrawn": True}),
            (8, {"occurred_at": "2026-07-12T00:00:00Z"}),
            (9, {"withdrawn": True}),
        )
    ],
    {
        **corrected(find(WHOLE, "rebuild.opened")["id"], occurred_at="2026-07-17T06:00:00-03:00"),
        "id": "01981000-0000-7000-8000-0000000000f1",
    },
    {**corrected(SEAT_FITTED["id"], "11:30", withdrawn=True), "id": "01981000-0000-7000-8000-0000000000f2"},
    corrected("01981000-0000-7000-8000-00000000dead", withdrawn=True),
]


def test_a_rich_history_replayed_is_the_history_lived(bench):
    for place, body in enumerate(HISTORY, 1):
        bench.post(body)
        if place % 4 == 0 or place == len(HISTORY):
            live, head = bench.contents(), bench.head()
            assert bench.replayed() == live
            assert tuple(bench.head()) == turned(head)
    assert {row.asset for row in views_of(bench)} == {"AIR1-LB", None}


def turned(head):
    """The same ledger; one turn on, so that writers who remember the views of before read them again."""
    return (head.size, head.root, head.recorded_us, head.turn + 1)


def views_of(bench):
    with bench.store.reading() as tx:
        return views.rebuild_page(tx, bench.facility, 0, 100)


def lived(store: Store, code: str, bodies):
    bench = Bench(store, {**FACILITY, "code": code})
    bench.post(setting_up())
    for body in bodies:
        with suppress(Refusal):  # in some orders some of it is refused, as it should be
            bench.post(body)
    return bench


COUNT = iter(range(10**6))


@settings(
    max_examples=6, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)
@given(st.permutations(range(len(HISTORY))))
def test_whatever_order_it_happened_to_arrive_in(quick_bench, order):
    bench = lived(quick_bench.store, f"f{next(COUNT)}", [HISTORY[place] for place in order])
    live, head = bench.contents(), bench.head()
    assert bench.replayed() == live
    assert tuple(bench.head()) == turned(head)


def test_a_replay_of_one_facility_leaves_the_others_alone(bench):
    other = lived(bench.store, "skerry", [WHOLE])
    bench.post(WHOLE)
    before = other.contents()
    with bench.store.writing() as tx:
        remake.clear(tx, "ferrow")
    assert other.contents() == before
    assert bench.rebuild() is None
    bench.replayed()
    assert bench.rebuild(REBUILD).verdict == "conforming"
    assert other.contents() == before


def test_a_correction_and_its_target_in_one_list_in_either_order(bench):
    target = {**entry("step.done", "09:00", {"step": 1}), "asset": "AIR1-LB", "rebuild": THIRD, "id": SEAT_FITTED["id"]}
    bench.post([corrected(SEAT_FITTED["id"], withdrawn=True), target])
    live = bench.contents()
    assert bench.replayed() == live


def test_a_replay_begins_the_judging_of_nothing(bench):
    bench.post(WHOLE[:-2])
    bench.replayed()
    assert bench.judged() == []
    bench.post(WHOLE[-2:])
    assert len(bench.judged()) == 1
    bench.replayed()
    bench.post(WHOLE)
    assert len(bench.judged()) == 1
