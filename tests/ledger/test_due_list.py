"""The due list as the ledger keeps it: what resets a service, which meter counts, whose calendar day it is."""

from __future__ import annotations

from datetime import date

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.store import due_list, prepared
from tests.ledger.bench import Bench
from tests.ledger.scenario import (
    CERTIFICATES,
    DAY,
    FACILITY,
    PROCEDURE,
    REBUILD,
    REGULATOR,
    SEAT_FITTED,
    corrected,
    countersigned,
    entry,
    find,
    rebuild,
    setting_up,
)

HERE = {"asset": "AIR1-LB", "rebuild": REBUILD}
WHOLE = rebuild()
UNSIGNED, OPEN = WHOLE[:-1], WHOLE[:-2]
TODAY = "2026-07-20"
COMMISSIONED = "2023-02-01"


def item(bench, as_of=TODAY, asset="AIR1-LB", **wanted):
    (found,) = [one for one in bench.due(as_of, **wanted) if one["asset"] == asset]
    return found


def anchor(bench):
    return item(bench)["anchor"]


# What resets it


def test_until_there_is_a_rebuild_it_counts_from_the_commissioning(bench):
    found = item(bench)
    assert (found["state"], found["due_on"], found["window_on"]) == ("overdue", "2026-02-01", "2025-12-18")
    assert (found["anchor"], found["rebuild"], found["days"]) == (COMMISSIONED, None, -169)


def test_a_conforming_rebuild_returned_to_service_resets_it(bench):
    bench.post(WHOLE)
    found = item(bench)
    assert (found["state"], found["due_on"], found["why"]) == ("not_due", "2029-07-14", "calendar")
    assert (found["anchor"], found["rebuild"]) == (DAY, REBUILD)


def test_a_nonconforming_one_does_not(bench):
    bench.post(WHOLE)
    bench.post(corrected(SEAT_FITTED["id"], "10:20", data={"part": "seat", "new": False}))
    assert (bench.rebuild().verdict, anchor(bench)) == ("nonconforming", COMMISSIONED)


@pytest.mark.parametrize("outcome", ["left_out_of_service", "aborted"])
def test_one_that_was_not_returned_to_service_does_not(bench, outcome):
    bench.post([*OPEN, entry("rebuild.closed", "10:00", {"outcome": outcome}, by="ines", **HERE), WHOLE[-1]])
    assert bench.rebuild().outcome == outcome
    assert anchor(bench) == COMMISSIONED


def test_one_that_nobody_countersigned_does_not_until_somebody_does(bench):
    bench.post(UNSIGNED)
    assert anchor(bench) == COMMISSIONED
    bench.post({**countersigned(), **HERE})
    assert anchor(bench) == DAY


def test_an_open_one_does_not(bench):
    bench.post(OPEN)
    assert anchor(bench) == COMMISSIONED


def test_one_by_another_procedure_does_not_unless_it_satisfies_this_one(bench):
    for code, satisfies in (("BR-8", []), ("BR-9", ["BR-1", "BR-3"])):
        bench.post(entry("procedure.published", "07:00", {**PROCEDURE, "code": code, "satisfies": satisfies}))
    one, two = "01981000-0000-7000-8000-0000000000bb", "01981000-0000-7000-8000-0000000000cc"
    for id_, day, code in ((one, "2026-07-12", "BR-8"), (two, "2026-07-13", "BR-9")):
        body = rebuild(id_, day=day)
        body[0]["data"]["procedure"] = code
        bench.post(body)
        assert bench.rebuild(id_).verdict == "conforming"
    assert (item(bench)["anchor"], item(bench)["rebuild"]) == ("2026-07-13", two)


def test_the_last_of_several_counts_whatever_order_they_arrive_in(bench):
    earlier = "01981000-0000-7000-8000-0000000000bb"
    bench.post(
        [entry("instrument.calibrated", "09:04", {**one, "on": "2025-03-02"}, day="2026-03-03") for one in CERTIFICATES]
    )
    bench.post(WHOLE)
    bench.post(rebuild(earlier, day="2025-07-01"))
    assert anchor(bench) == DAY
    past = item(bench, "2025-12-24", in_force=False)
    assert (past["anchor"], past["rebuild"], past["due_on"]) == ("2025-07-01", earlier, "2028-07-01")
    assert item(bench, "2025-06-30", in_force=False)["anchor"] == COMMISSIONED


def test_without_commissioning_or_rebuild_there_is_no_baseline(bench):
    bench.post(entry("asset.amended", "07:00", {"patch": {"commissioned_on": None}}, asset="AIR1-LB"))
    assert (item(bench)["state"], item(bench)["due_on"]) == ("no_baseline", None)
    bench.post(WHOLE)
    assert item(bench)["state"] == "not_due"
    assert item(bench, "2026-07-13", in_force=False)["state"] == "no_baseline"


def test_a_plan_that_is_amended_counts_from_the_same_day(bench):
    bench.post(WHOLE)
    yearly = [{"procedure": "BR-3", "every": "P1Y"}, {"procedure": "BR-4", "every": "P5Y"}]
    bench.post(entry("asset.amended", "12:00", {"patch": {"service": yearly}}, asset="AIR1-LB"))
    assert [(one["procedure"], one["due_on"]) for one in bench.due(TODAY)] == [
        ("BR-3", "2027-07-14"),
        ("BR-4", "2028-02-01"),
    ]
    bench.post(entry("asset.amended", "12:01", {"patch": {"service": None}}, asset="AIR1-LB"))
    assert bench.due(TODAY) == []


def test_a_retired_asset_is_on_no_list_not_even_for_the_past(bench):
    bench.post(WHOLE)
    bench.post(entry("asset.retired", "15:00", {"reason": "manifold replaced"}, asset="AIR1-LB"))
    assert bench.due(TODAY) == bench.due("2025-01-01", in_force=False) == []


# Meters


def read(bench, asset, meter, *readings):
    for day, count in readings:
        bench.post(entry("meter.read", "09:00", {"meter": meter, "reading": count}, asset=asset, day=day))


def test_a_regulator_without_a_meter_runs_on_that_of_its_manifold(bench):
    bench.post(rebuild(day="2026-06-01"))
    read(bench, "AIR1", "changeovers", ("2026-06-01", "500"), ("2026-07-11", "580"))
    found = item(bench)
    # 80 in 40 days is 2 a day: 400 after 500 is 900, 200 days after 2026-06-01
    assert (found["why"], found["due_on"]) == ("usage", "2026-12-18")
    assert "80" in found["says"] or "580" in found["says"]


def test_its_own_meter_goes_before_that_of_its_manifold(bench):
    bench.post(rebuild(day="2026-06-01"))
    read(bench, "AIR1", "changeovers", ("2026-06-01", "500"), ("2026-07-11", "580"))
    read(bench, "AIR1-LB", "changeovers", ("2026-06-01", "0"), ("2026-07-11", "40"))
    assert item(bench)["due_on"] == "2027-07-06"  # 1 a day: 400 days


def test_another_meter_does_not_count(bench):
    bench.post(rebuild(day="2026-06-01"))
    read(bench, "AIR1", "hours", ("2026-06-01", "500"), ("2026-07-11", "580"))
    assert item(bench)["why"] == "calendar"


def test_a_meter_two_levels_up_counts_and_moving_what_is_between_moves_it(bench):
    bench.post(rebuild(day="2026-06-01"))
    for tag in ("PLANT", "YARD"):
        bench.post(entry("asset.registered", "07:00", {"kind": "plant", "gas": "medical_air"}, asset=tag))
    bench.post(entry("asset.amended", "07:01", {"patch": {"parent": "PLANT"}}, asset="AIR1"))
    read(bench, "PLANT", "changeovers", ("2026-06-01", "500"), ("2026-07-11", "580"))
    read(bench, "YARD", "changeovers", ("2026-06-01", "0"), ("2026-07-11", "400"))
    assert item(bench)["due_on"] == "2026-12-18"
    bench.post(entry("asset.amended", "07:02", {"patch": {"parent": "YARD"}}, asset="AIR1"))
    assert item(bench)["due_on"] == "2026-07-11"
    live = bench.contents()
    assert bench.replayed() == live


def test_a_replaced_meter_goes_on_counting(bench):
    bench.post(rebuild(day="2026-06-01"))
    read(bench, "AIR1", "changeovers", ("2026-06-01", "500"), ("2026-06-21", "540"))
    new = {"meter": "changeovers", "reading": "0", "replaced": {"final_reading": "540"}}
    bench.post(entry("meter.read", "10:00", new, asset="AIR1", day="2026-06-21"))
    read(bench, "AIR1", "changeovers", ("2026-07-11", "40"))
    assert item(bench)["due_on"] == "2026-12-18"


# Out of service


def test_out_of_service_is_shown_beside_the_state(bench):
    def out():
        return bool(bench.asset("AIR1-LB").out_of_service), item(bench)["out_of_service"]

    isolated = next(place for place, one in enumerate(WHOLE) if one["type"] == "bank.isolated")
    restored = next(place for place, one in enumerate(WHOLE) if one["type"] == "bank.restored")
    assert out() == (False, False)
    bench.post(WHOLE[:isolated])
    assert out() == (False, False)
    bench.post(WHOLE[isolated : isolated + 5])
    assert out() == (True, True)
    bench.post(WHOLE[: restored + 1])
    assert out() == (False, False)
    bench.post([*OPEN, entry("rebuild.closed", "10:00", {"outcome": "left_out_of_service"}, by="ines", **HERE)])
    assert out() == (True, True)
    bench.post(rebuild("01981000-0000-7000-8000-0000000000bb", day="2026-07-16"))
    assert out() == (False, False)


def test_an_aborted_rebuild_leaves_the_bank_as_it_was_last_left(bench):
    isolated = next(place for place, one in enumerate(WHOLE) if one["type"] == "bank.isolated")
    aborted = entry("rebuild.closed", "08:30", {"outcome": "aborted"}, **HERE)
    bench.post([*WHOLE[: isolated + 1], aborted])
    assert bench.asset("AIR1-LB").out_of_service
    bench.post(entry("bank.restored", "08:29", {}, **HERE))
    assert not bench.asset("AIR1-LB").out_of_service


def test_an_amendment_puts_nothing_back_into_service(bench):
    bench.post([*OPEN, entry("rebuild.closed", "10:00", {"outcome": "left_out_of_service"}, by="ines", **HERE)])
    bench.post(entry("asset.amended", "12:00", {"patch": {"location": "Roof"}}, asset="AIR1-LB"))
    assert bench.asset("AIR1-LB").out_of_service


# Whose day it is


def evening(zone, store, code="aotea"):
    """The rebuild of the scenario, closed 13:00 UTC on its day, in a facility of that time zone."""
    bench = Bench(store, {**FACILITY, "code": code, "time_zone": zone})
    bench.post(setting_up())
    bench.post(WHOLE)
    assert bench.rebuild().verdict == "conforming"
    return bench


@pytest.mark.parametrize(
    ("zone", "day"),
    [("UTC", "2026-07-14"), ("Pacific/Auckland", "2026-07-15"), ("Pacific/Pago_Pago", "2026-07-14")],
)
def test_the_facilitys_time_zone_decides_which_day_it_was_closed(store, zone, day):
    # 2026-07-14T13:00Z is 2026-07-15 01:00 in New Zealand (UTC+12 in July)
    bench = evening(zone, store)
    assert (anchor(bench), item(bench)["due_on"]) == (day, f"2029{day[4:]}")


def test_the_facilitys_time_zone_decides_on_which_day_a_meter_was_read(store):
    bench = Bench(store, {**FACILITY, "time_zone": "Pacific/Auckland"})
    bench.post(setting_up())
    bench.post(rebuild(day="2026-06-01"))
    body = {"type": "meter.read", "asset": "AIR1"}
    for at, count in (("2026-06-01T13:00:00Z", "500"), ("2026-07-11T13:00:00Z", "580")):
        bench.post({**body, "occurred_at": at, "data": {"meter": "changeovers", "reading": count}})
    assert item(bench)["due_on"] == "2026-12-19"


@pytest.mark.parametrize(
    ("from_day", "day"), [("2026-07-15", "2026-07-15"), ("2026-01-01", "2026-07-15"), ("2026-07-16", "2026-07-14")]
)
def test_a_time_zone_amended_from_a_day_holds_on_that_day_and_after_it(store, from_day, day):
    bench = evening("UTC", store)
    before = bench.findings()
    amended = bench.post(entry("facility.amended", "07:00", {"time_zone": "Pacific/Auckland", "from_day": from_day}))
    assert anchor(bench) == day
    assert (bench.findings() == before) is (from_day != "2026-01-01"), "findings tell the time on the facility's clock"
    live = bench.contents()
    assert bench.replayed() == live
    bench.post(corrected(amended.accepted[0].id, data={"time_zone": "UTC", "from_day": from_day}))
    assert (anchor(bench), bench.findings()) == ("2026-07-14", before)


# Asking


def fleet(bench, rows):
    """Regulators that were commissioned on these days, with these windows."""
    for number, (commissioned, window, gas) in enumerate(rows):
        plan = [{"procedure": "BR-3", "every": "P1Y", **({"window": window} if window else {})}]
        data = {"kind": "bank_regulator", "gas": gas, "service": plan, "commissioned_on": commissioned}
        bench.post(entry("asset.registered", "07:00", data, asset=f"R{number:02}"))


DAYS = st.dates(min_value=date(2024, 1, 1), max_value=date(2027, 12, 31))
ROWS = st.lists(
    st.tuples(DAYS.map(str), st.sampled_from([None, "P10D", "P2M", "P400D"]), st.sampled_from(["oxygen", "n2"])),
    min_size=1,
    max_size=6,
)
SEQUENCE = iter(range(10**6))


@settings(
    max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)
@given(ROWS, DAYS.map(str), st.booleans())
def test_the_states_part_the_list_and_each_is_found_by_asking_for_it(quick_bench, rows, as_of, in_force):
    bench = Bench(quick_bench.store, {**FACILITY, "code": f"q{next(SEQUENCE)}"})
    fleet(bench, rows)
    everything = bench.due(as_of, in_force=in_force)
    assert [(one["due_on"], one["asset"]) for one in everything] == sorted(
        (one["due_on"], one["asset"]) for one in everything
    )
    for state in ("overdue", "due", "not_due", "no_baseline"):
        asked = bench.due(as_of, in_force=in_force, state=state)
        assert asked == [one for one in everything if one["state"] == state], state
    for gas in ("oxygen", "n2"):
        assert bench.due(as_of, in_force=in_force, gas=gas) == [one for one in everything if one["gas"] == gas]
    within = [one for one in everything if one["days"] is not None and one["days"] <= 30]
    assert bench.due(as_of, in_force=in_force, within=30) == within


def test_what_was_due_on_a_past_day_is_found_though_no_date_is_known_any_more(bench):
    by_usage = [{"procedure": "BR-3", "meter": "hours", "usage": "10", "window": "P30D"}]
    bench.post(entry("asset.amended", "07:00", {"patch": {"service": None}}, asset="AIR1-LB"))
    data = {**REGULATOR, "service": by_usage, "commissioned_on": "2024-01-01"}
    bench.post(entry("asset.registered", "07:00", data, asset="AIR1-RB"))
    read(bench, "AIR1-RB", "hours", ("2024-01-01", "0"), ("2024-12-20", "12"), ("2026-07-01", "12.5"))
    bench.post(rebuild(asset="AIR1-RB", day="2026-03-10"))
    # 10 of 12 in 354 days: the 295th day after 2024-01-01
    assert item(bench, "2024-10-01", asset="AIR1-RB", in_force=False)["due_on"] == "2024-10-22"
    assert [one["asset"] for one in bench.due("2024-10-01", in_force=False, state="due")] == ["AIR1-RB"]
    assert item(bench, asset="AIR1-RB")["due_on"] is None, "one reading in a year gives no rate"


def test_pages_follow_one_another_without_gap_or_overlap(bench):
    fleet(
        bench, [("2025-03-01", None, "oxygen")] * 5 + [("2025-02-01", None, "oxygen"), ("2025-04-01", None, "oxygen")]
    )
    whole, seen, after = bench.due(TODAY), [], None
    while page := bench.due(TODAY, limit=3, after=after):
        seen += page
        after = (page[-1]["due_on"], page[-1]["asset"], page[-1]["procedure"])
    assert seen == whole
    assert len(whole) == 8


@pytest.mark.parametrize("wanted", [{}, {"state": "overdue"}, {"state": "due"}, {"gas": "oxygen"}, {"within": 30}])
def test_a_page_is_read_along_an_index_and_not_by_sorting_the_list(quick_bench, wanted, monkeypatch):
    seen = []
    with quick_bench.store.reading() as tx:
        ask = prepared.execute

        def explained(connection, text, values):
            seen.extend(row[-1] for row in ask(connection, f"EXPLAIN QUERY PLAN {text}", values))
            return ask(connection, text, values)

        monkeypatch.setattr(prepared, "execute", explained)
        due_list.page(tx, "ferrow", due_list.Wanted(date(2026, 7, 20), in_force=True, **wanted))
    assert seen
    assert not [step for step in seen if step.startswith(("SCAN", "USE TEMP B-TREE"))]


def test_a_rebuild_of_another_asset_resets_nothing_here(bench):
    other = {**REGULATOR, "serial": "S-999"}
    bench.post(entry("asset.registered", "07:00", other, asset="AIR1-RB"))
    bench.post(rebuild(asset="AIR1-RB"))
    assert (item(bench, asset="AIR1-RB")["anchor"], item(bench)["anchor"]) == (DAY, COMMISSIONED)
    assert find(WHOLE, "rebuild.opened")["asset"] == "AIR1-LB"
