"""What a writer remembers changes nothing: with it, without it or with another's in between, the ledger comes out alike."""

from __future__ import annotations

from itertools import count

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.entries.refusals import NotAFact
from service.ledger.append import Receipt, append, judge_marked
from service.ledger.memory import Memory
from service.ledger.remembered import Recent
from tests.ledger.bench import Bench, submission
from tests.ledger.scenario import FACILITY, REBUILD, corrected, entry, find, numbered, q, rebuild, setting_up

HERE = {"asset": "AIR1-LB", "rebuild": REBUILD}
SECOND = "01981000-0000-7000-8000-0000000000bb"
WHOLE, AGAIN = rebuild(), rebuild(SECOND, day="2026-07-16")
TW_9 = {"instrument": "TW-9", "kind": "torque_tool", "type": "setting"}
BY_HOURS = [{"procedure": "BR-3", "meter": "hours", "usage": "400"}]


def read(count_, asset="AIR1", day="2026-06-01", meter="changeovers", **more):
    return entry("meter.read", "09:00", {"meter": meter, "reading": count_, **more}, asset=asset, day=day)


def same_again(bench):
    live = bench.contents()
    return bench.replayed() == live


# One group, one transaction


def test_what_a_refused_submission_would_have_closed_is_not_closed_for_the_next(bench):
    bench.post(WHOLE[:-2])
    step = {**entry("step.done", "09:59", {"step": 2}), **HERE}
    lost = [entry("rebuild.closed", "09:30", {"outcome": "aborted"}, **HERE), {**step, "asset": "AIR9"}, step]
    kept = [entry("rebuild.closed", "10:00", {"outcome": "returned_to_service"}, by="ines", **HERE), step]
    refused, taken = bench.group(submission(lost), submission(kept))
    assert isinstance(refused, NotAFact)
    assert isinstance(taken, Receipt)
    assert bench.rebuild().outcome == "returned_to_service"


def test_an_instrument_first_used_beside_news_of_the_facility_is_known_to_have_been_used(bench):
    bench.post([entry("instrument.registered", "07:00", TW_9), *WHOLE])
    late = entry("torque.applied", "09:15", {"joint": "bonnet", "torque": q("60.0 N.m"), "instrument": "TW-9"}, **HERE)
    bench.group(submission(late), submission(entry("facility.amended", "07:00", {"name": "Ferrow"})))
    assert same_again(bench)
    high = {"instrument": "TW-9", "on": "2026-07-01", "as_left_error_percent": "16"}
    bench.post(entry("instrument.calibrated", "07:00", high))
    assert bench.finding("torque", "bonnet")["verdict"] == "nonconforming"


def test_two_rebuilds_in_one_list_are_judged_once_each_the_earlier_first(bench):
    earlier, later = "01981000-0000-7000-8000-0000000000ff", REBUILD
    bench.post([*WHOLE, *rebuild(earlier, day="2026-07-10")])
    assert (len(bench.judged(earlier)), len(bench.judged(later))) == (1, 1)
    assert bench.finding("stem_continuity", "stem", later)["verdict"] == "conforming"


# Meters


def test_a_replaced_meter_is_counted_once_though_the_plan_changes_in_the_same_list(bench):
    bench.post(read("500"))
    amended = entry("asset.amended", "07:00", {"patch": {"commissioned_on": "2026-05-01"}}, asset="AIR1-LB")
    bench.post([amended, read("0", day="2026-06-21", replaced={"final_reading": "540"})])
    assert same_again(bench)
    bench.post(read("40", day="2026-07-11"))
    assert bench.due("2026-07-20")[0]["due_on"] == "2026-12-18"  # 2 a day: 400 in 200 days
    assert same_again(bench)


def test_a_replay_counts_a_replaced_meter_once(bench):
    bench.post(read("3", replaced={"final_reading": "540"}))
    assert "after 543 on 2026-06-01" in bench.due("2026-07-20")[0]["says"]
    assert same_again(bench)


def test_a_reading_written_down_to_the_wrong_meter_is_moved_to_the_right_one(bench):
    bench.post(entry("asset.amended", "07:00", {"patch": {"commissioned_on": "2026-05-01"}}, asset="AIR1-LB"))
    bench.post(read("500"))
    wrong = bench.post(read("580", day="2026-07-11", meter="hours")).accepted[0].id
    assert bench.due("2026-07-20")[0]["why"] == "calendar"
    bench.post(corrected(wrong, "11:00", data={"meter": "changeovers", "reading": "580"}))
    assert (bench.due("2026-07-20")[0]["why"], bench.due("2026-07-20")[0]["due_on"]) == ("usage", "2026-12-18")
    assert same_again(bench)
    bench.post(corrected(wrong, "11:05", withdrawn=True))
    assert bench.due("2026-07-20")[0]["why"] == "calendar"
    assert same_again(bench)


def test_more_assets_hang_below_a_meter_than_a_writer_remembers(bench):
    small(bench.memory)
    for number in range(6):
        plan = {"service": BY_HOURS, "commissioned_on": "2026-06-01"}
        data = {"kind": "bank_regulator", "gas": "oxygen", "parent": "AIR1" if number < 3 else f"R{number - 3}", **plan}
        bench.post(entry("asset.registered", "07:00", data, asset=f"R{number}"))
    bench.post(read("0", meter="hours"))
    bench.post(read("40", meter="hours", day="2026-07-11"))
    assert {one["due_on"] for one in bench.due("2026-07-20") if one["asset"].startswith("R")} == {"2027-07-06"}
    assert same_again(bench)


# Two writers on one ledger


def test_what_another_writer_recorded_in_between_is_not_missed(bench, database_url, open_store):
    other, memory = open_store(database_url), Memory("ferrow")

    def elsewhere(body):
        (outcome,) = append(other, memory, [submission(body)], bench.clock)
        while judge_marked(other, memory, bench.clock):
            pass
        return outcome

    for place, one in enumerate(WHOLE):
        (bench.post if place % 2 else elsewhere)(one)
    assert bench.rebuild().verdict == "conforming"
    elsewhere(entry("asset.amended", "11:00", {"patch": {"serial": "S-9"}}, asset="AIR1-LB"))
    elsewhere(
        entry(
            "instrument.calibrated", "07:00", {"instrument": "TW-5", "on": "2026-07-10", "as_left_error_percent": "16"}
        )
    )
    bench.post(AGAIN)
    assert bench.rebuild().verdict == bench.rebuild(SECOND).verdict == "nonconforming"
    assert bench.rebuild(SECOND).serial == "S-9"
    assert same_again(bench)


def test_what_was_learnt_in_a_transaction_that_came_to_nothing_is_forgotten(bench, monkeypatch):
    def lost(*_, **__):
        raise KeyboardInterrupt

    bench.post(WHOLE[:20])
    monkeypatch.setattr("service.store.entries.move_head", lost)
    with pytest.raises(KeyboardInterrupt):
        bench.group(
            submission(entry("asset.amended", "06:00", {"patch": {"serial": "S-9"}}, asset="AIR1-LB")),
            submission(entry("procedure.published", "06:00", {"code": "BR-9", "revision": 1, "title": "Never"})),
            submission(WHOLE[20:]),
        )
    monkeypatch.undo()
    with pytest.raises(NotAFact, match="BR-9"):
        bench.post(
            entry(
                "rebuild.opened",
                "08:00",
                {"procedure": "BR-9", "revision": 1, "reason": "fault"},
                asset="AIR1",
                rebuild=SECOND,
            )
        )
    bench.post(WHOLE[20:])
    assert (bench.rebuild().serial, bench.rebuild().verdict) == ("S-204", "conforming")
    assert same_again(bench)


def test_judgements_stand_in_one_order_whatever_is_remembered(quick_bench):
    def told(code, *, forgetful):
        bench = Bench(quick_bench.store, {**FACILITY, "code": code})
        bench.post([*numbered(setting_up(), SECOND[:-2] + "ee"), *WHOLE[:-1], *AGAIN[:-1]])
        bench.memory.works = Recent(1 if forgetful else 100)
        withdrawn = {**corrected(AGAIN[0]["id"], withdrawn=True), "id": SECOND[:-2] + "f1"}
        late = entry("torque.applied", "09:15", {"joint": "bonnet", "torque": q("90 N.m")}, **HERE)
        bench.group(submission({**late, "id": SECOND[:-2] + "f2"}), submission(withdrawn))
        return [(one.type, one.rebuild, one.data.get("state")) for one in bench.entries()]

    assert told("m-long", forgetful=False) == told("m-short", forgetful=True)


# Any walk at all


def small(memory):
    """A writer that forgets almost at once."""
    for name, kept in vars(memory).items():
        if isinstance(kept, Recent):
            setattr(memory, name, Recent(2))


STEPS = [
    *[[one] for one in WHOLE],
    WHOLE[:20],
    AGAIN,
    *[
        [one]
        for one in numbered(
            [
                *[
                    corrected(one["id"], f"1{place % 9}:{10 + place}", **way)
                    for place, (one, way) in enumerate(
                        (target, way)
                        for target in (
                            WHOLE[0],
                            WHOLE[23],
                            AGAIN[0],
                            AGAIN[-2],
                            find(WHOLE, "turns.counted"),
                            find(WHOLE, "bank.isolated"),
                        )
                        for way in (
                            {"withdrawn": True},
                            {"occurred_at": "2026-07-17T09:00:00-03:00"},
                            {"data": target["data"]},
                        )
                    )
                ],
                entry(
                    "meter.read",
                    "09:00",
                    {"meter": "changeovers", "reading": "5", "replaced": {"final_reading": "90"}},
                    asset="AIR1",
                    day="2026-06-20",
                ),
                read("10"),
                read("80", day="2026-06-19"),
                read("70", meter="hours", asset="AIR1-LB"),
                entry(
                    "asset.amended",
                    "07:00",
                    {"patch": {"serial": "S-9", "service": BY_HOURS}},
                    asset="AIR1-LB",
                    day="2026-07-15",
                ),
                entry("asset.amended", "07:00", {"patch": {"parent": None}}, asset="AIR1-LB"),
                entry("setting.adjusted", "07:00", {"turns": q("1 turn")}, asset="AIR1-LB", day="2026-07-15"),
                entry("facility.amended", "07:00", {"time_zone": "Pacific/Auckland", "from_day": "2026-07-01"}),
                entry(
                    "instrument.calibrated",
                    "07:00",
                    {"instrument": "TW-5", "on": "2026-07-10", "as_left_error_percent": "16"},
                ),
            ],
            "01981000-0000-7000-8000-0000000000dd",
        )
    ],
]
CODES = (f"m{number}" for number in count())


@settings(
    max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)
@given(st.data())
def test_any_walk_with_any_memory_leaves_what_a_replay_makes(quick_bench, data):
    bench = Bench(quick_bench.store, {**FACILITY, "code": next(CODES)})
    bench.post(setting_up())
    writers = [bench.memory, Memory(bench.facility)]
    if data.draw(st.booleans(), label="forgetful"):
        small(writers[1])
    places = st.lists(st.sampled_from(range(len(STEPS))), min_size=1, max_size=4)
    for group in data.draw(st.lists(places, min_size=3, max_size=14), label="groups"):
        bench.memory = data.draw(st.sampled_from(writers))
        append(bench.store, bench.memory, [submission(STEPS[place]) for place in group], bench.clock)
        while data.draw(st.booleans()) and judge_marked(bench.store, bench.memory, bench.clock):
            pass
    while judge_marked(bench.store, bench.memory, bench.clock):
        pass
    assert same_again(bench)
