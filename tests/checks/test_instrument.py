"""Every instrument in calibration on the day, unharmed, in its range, of the right kind and class.

ISO 6789-1:2017 (from memory): 12 months unless the owner says otherwise; the range begins at the lowest value marked;
largest deviation ± 6 % where the tool's greatest torque is 10 N·m or less, else ± 4 %. The rest is common practice, no
published source.
"""

from datetime import date

import pytest
from dateutil.relativedelta import relativedelta
from hypothesis import given
from hypothesis import strategies as st

from service.checks.instrument import INSTRUMENT, check, good_to
from service.checks.job import Fact
from service.entries.instrument import InstrumentEvent
from tests.checks.building import at, by_subject, fact, instrument, job, opened
from tests.checks.job_for_order import q
from tests.checks.shut import decay, lockup

TOOL = {
    "instrument": "TW-114",
    "kind": "torque_tool",
    "type": "setting",
    "max": q("100 N.m"),
    "min": q("10 N.m"),
    "interval": "P12M",
}
GAUGE = {"instrument": "PG-9", "kind": "pressure_gauge", "max": q("1000 kPa"), "interval": "P12M"}
THERMOMETER = {"instrument": "TH-3", "kind": "thermometer", "interval": "P12M"}
PAPER = {"on": "2026-01-20", "certificate": "C-8841"}


def wrench(*papers, events=(), **changes):
    data = {name: value for name, value in {**TOOL, **changes}.items() if value is not None}
    return instrument(data, papers or (PAPER,), events)


def gauge(*papers, **changes):
    return instrument({**GAUGE, **changes}, papers or (PAPER,))


def torque(written="36.0 N.m", clock="09:41", tool="TW-114", day="2026-05-04"):
    used = {"instrument": tool} if tool else {}
    return fact("torque.applied", clock, {"joint": "seat", "torque": q(written), **used}, day=day, id=f"{day} {clock}")


def read(pressure, clock="10:00", tool="PG-9"):
    used = {"instrument": tool} if tool else {"gauge": "bank gauge"}
    return fact("pressure.read", clock, {"point": "dome", "phase": "as_left", "pressure": q(pressure), **used})


def happened(event, clock="09:00", day="2026-05-04"):
    return Fact("e", "instrument.event", at(clock, day), InstrumentEvent(instrument="TW-114", event=event))


def judged(*facts, instruments=(), zone="UTC"):
    return by_subject(check(job(opened(), *facts, instruments=instruments, zone=zone)))


def tool(*facts, record=None, **more):
    return judged(*(facts or (torque(),)), instruments=(record or wrench(),), **more)["TW-114"]


def test_the_finding_tells_certificate_range_and_uses():
    finding = tool(torque(), torque("81.0 N.m", "09:52"))
    assert finding.verdict == "conforming"
    assert finding.says == (
        "Used 2 times; certificate C-8841 of 2026-01-20, good to 2027-01-20 (P12M); 36.0 N.m to 81.0 N.m, range 10 N.m to "
        "100 N.m."
    )
    assert finding.entries == ("2026-05-04 09:41", "2026-05-04 09:52")


# --- in calibration on the day


@pytest.mark.parametrize(
    ("paper", "interval", "last"),
    [
        ({"on": "2025-05-04"}, "P12M", "2026-05-04"),  # the register's interval
        ({"on": "2025-05-04"}, None, "2026-05-04"),  # ISO 6789-1:2017, 12 months (MEM)
        ({"on": "2024-02-29"}, "P12M", "2025-02-28"),  # clamped, as java.time and dateutil do it
        ({"on": "2024-02-29"}, "P4Y", "2028-02-29"),
        ({"on": "2024-01-31"}, "P1M", "2024-02-29"),
        ({"on": "2026-01-20", "valid_until": "2026-03-31"}, "P12M", "2026-03-31"),  # the earlier of the two
        ({"on": "2026-01-20", "valid_until": "2028-01-20"}, "P12M", "2027-01-20"),
        ({"on": "2026-01-20", "valid_until": "2028-01-20"}, None, "2028-01-20"),
    ],
)
def test_the_last_day_on_which_a_certificate_holds_is_included(paper, interval, last):
    record, day = wrench(paper, interval=interval), date.fromisoformat(last)
    assert tool(torque(day=last), record=record).verdict == "conforming"
    over = tool(torque(day=str(day + relativedelta(days=1))), record=record)
    assert over.verdict == "nonconforming"
    assert f"good to {last}" in over.says
    assert "run out" in over.says


@given(st.dates(date(2000, 1, 1), date(2030, 1, 1)), st.integers(1, 60))
def test_an_interval_runs_out_when_dateutil_says_so(on, months):
    record = wrench({"on": on.isoformat()}, interval=f"P{months}M")
    assert good_to(record, record.calibrations[0])[0] == on + relativedelta(months=months)


def test_without_a_certificate_nobody_knows():
    assert tool(record=instrument(TOOL)).verdict == "inconclusive"
    later_one = tool(record=wrench({"on": "2026-05-05"}))
    assert later_one.verdict == "inconclusive"
    assert "no certificate of 2026-05-04 or before is recorded" in later_one.says


def test_a_gauge_without_interval_or_date_leaves_it_open():
    record = instrument({name: value for name, value in GAUGE.items() if name != "interval"}, [PAPER])
    finding = judged(read("700 kPa"), instruments=(record,))["PG-9"]
    assert finding.verdict == "inconclusive"
    assert "Register its interval" in finding.advice


def test_the_certificate_in_force_on_the_day_is_the_one_that_is_told():
    record = wrench({"on": "2025-05-01", "certificate": "old"}, {"on": "2026-05-04", "certificate": "new"})
    assert "certificate new of 2026-05-04" in tool(record=record).says
    before = tool(torque(day="2026-05-03"), record=record)
    assert before.verdict == "nonconforming"
    assert "2 days before" in before.says


def test_of_a_job_of_several_days_each_day_counts():
    record = wrench({"on": "2025-05-04"})
    finding = tool(torque(), torque(day="2026-05-06"), record=record)
    assert finding.verdict == "nonconforming"
    assert "when it was used on 2026-05-06" in finding.says


def test_the_day_is_that_of_the_hospitals_clock():
    record = wrench({"on": "2025-05-04"})
    late = torque(clock="23:30")
    assert tool(late, record=record).verdict == "conforming"
    assert tool(late, record=record, zone="Pacific/Auckland").verdict == "nonconforming"


# --- unharmed since


@pytest.mark.parametrize("event", ["dropped", "overloaded", "repaired"])
def test_an_instrument_that_was_harmed_and_used_without_a_new_certificate(event):
    finding = tool(record=wrench(events=[happened(event)]))
    assert finding.verdict == "nonconforming"
    assert f"it was {event} 09:00:00+00:00" in finding.says


@pytest.mark.parametrize(
    ("clock", "day", "verdict"),
    [
        ("09:40", "2026-05-04", "nonconforming"),
        ("09:41", "2026-05-04", "inconclusive"),  # the time of the torque itself
        ("09:42", "2026-05-04", "conforming"),
        ("12:00", "2026-01-20", "inconclusive"),  # the day of the certificate
        ("12:00", "2026-01-19", "conforming"),
    ],
)
def test_what_happened_before_the_certificate_or_after_the_work_does_not_matter(clock, day, verdict):
    assert tool(record=wrench(events=[happened("dropped", clock, day)])).verdict == verdict


def test_a_new_certificate_after_the_fall_mends_it():
    record = wrench(PAPER, {"on": "2026-05-02"}, events=[happened("dropped", day="2026-05-01")])
    assert tool(record=record).verdict == "conforming"


# --- in range


@pytest.mark.parametrize(
    ("written", "verdict"),
    [
        ("10 N.m", "conforming"),
        ("9.9 N.m", "nonconforming"),
        ("100 N.m", "conforming"),
        ("100.1 N.m", "nonconforming"),
        ("73.7 ft.lbf", "conforming"),  # 99.924 N·m
        ("73.8 ft.lbf", "nonconforming"),  # 100.059 N·m
    ],
)
def test_both_ends_of_the_range_are_in_it_in_any_unit(written, verdict):
    """1 ft·lbf = 1.355 818 N·m, NIST SP 811 (from memory)."""
    assert tool(torque(written)).verdict == verdict


def test_a_gauge_at_rest_on_its_zero_is_not_out_of_a_range_that_begins_higher():
    record = gauge(min=q("50 kPa"))
    assert judged(read("0.0 kPa"), instruments=(record,))["PG-9"].verdict == "conforming"
    assert judged(read("20 kPa"), instruments=(record,))["PG-9"].verdict == "nonconforming"
    assert judged(read("1001 kPa"), instruments=(record,))["PG-9"].verdict == "nonconforming"


def test_an_absolute_reading_is_not_held_against_a_range_in_gauge():
    assert judged(read("1050 kPa absolute"), instruments=(gauge(),))["PG-9"].verdict == "conforming"


def test_no_range_registered_is_told():
    finding = judged(read("700 kPa"), instruments=(instrument({**GAUGE, "max": q("1 MPa")}, [PAPER]),))["PG-9"]
    assert "range to 1 MPa" in finding.says
    bare = instrument({"instrument": "PG-9", "kind": "pressure_gauge", "interval": "P12M"}, [PAPER])
    assert "no range registered" in judged(read("700 kPa"), instruments=(bare,))["PG-9"].says


# --- right kind, right class


def test_a_gauge_named_for_a_torque_is_the_wrong_kind():
    finding = judged(torque(tool="PG-9"), instruments=(gauge(),))["PG-9"]
    assert finding.verdict == "nonconforming"
    assert "it is a pressure gauge, named for torque.applied seat" in finding.says


@pytest.mark.parametrize(
    ("most", "kind", "error", "verdict"),
    [  # ISO 6789-1:2017 cl. 5.1.5 (MEM): ± 6 % up to 10 N·m, else ± 4 %
        ("8 N.m", "setting", "6", "conforming"),
        ("8 N.m", "setting", "-6.1", "nonconforming"),
        ("10 N.m", "dial", "6", "conforming"),
        ("50 N.m", "setting", "4", "conforming"),
        ("50 N.m", "setting", "4.1", "nonconforming"),
        ("50 N.m", "electronic", "-4.1", "nonconforming"),
        ("50 N.m", "bending_bar", "6", "conforming"),
        ("5 N.m", "screwdriver", "6.1", "nonconforming"),
        ("50 N.m", None, "20", "conforming"),  # of no known type, of no known class
    ],
)
def test_a_certificate_that_shows_more_error_than_the_class_permits(most, kind, error, verdict):
    record = wrench({**PAPER, "as_left_error_percent": error}, max=q(most), min=None, type=kind)
    assert tool(torque("5 N.m"), record=record).verdict == verdict


def test_an_error_of_span_weighs_most_where_the_tool_read_least():
    """2 % of a span of 90 N·m is 1.8 N·m: 4 % of 45 N·m, 5 % of 36."""
    record = wrench({**PAPER, "of": "span", "as_left_error_percent": "2"})
    assert tool(torque("45 N.m"), record=record).verdict == "conforming"
    finding = tool(torque("36 N.m"), record=record)
    assert finding.verdict == "nonconforming"
    assert "error as left is 5.0 % of reading, where its class permits 4 %" in finding.says


@pytest.mark.parametrize(
    ("of", "error", "verdict"),
    [("span", "1.0", "conforming"), ("span", "1.1", "nonconforming"), ("reading", "1.4", "conforming"),
     ("reading", "1.5", "nonconforming")],
)  # fmt: skip
def test_a_gauge_is_held_against_its_own_class(of, error, verdict):
    """Class 1, per cent of span; 700 kPa of 1000: 1.4 % of reading is 0.98 % of span."""
    record = gauge({**PAPER, "of": of, "as_left_error_percent": error}, class_percent="1")
    assert judged(read("700 kPa"), instruments=(record,))["PG-9"].verdict == verdict


# --- who has to be named


def test_what_has_to_be_measured_with_an_instrument_and_names_none():
    finding = judged(torque(tool=None), decay("712 kPa at 20 Cel", "711 kPa at 20 Cel", instrument=None))["not named"]
    assert finding.verdict == "inconclusive"
    assert finding.says == "No instrument is named for torque.applied seat, leak.tested outlet."


def test_a_fixed_gauge_needs_no_register():
    assert judged(read("0 bar", tool=None))["instrument"].verdict == "not_applicable"


def test_an_instrument_nobody_registered_is_inconclusive():
    finding = judged(torque())["TW-114"]
    assert (finding.verdict, finding.says) == ("inconclusive", "TW-114 is not registered.")


def test_every_entry_that_names_an_instrument_counts_as_a_use():
    facts = [
        read("690 kPa"),
        fact("setting.adjusted", "10:14", {"turns": q("0.25 turn"), "after": q("690 kPa"), "instrument": "PG-9"}),
        decay("712 kPa at 20 Cel", "711 kPa at 20 Cel"),
        lockup(("PT1M", "712 kPa at 20 Cel")),
    ]
    found = judged(*facts, instruments=(gauge(), instrument(THERMOMETER, [PAPER])))
    assert found["PG-9"].says.startswith("Used 4 times; ")
    assert found["TH-3"].says.startswith("Used 2 times; ")
    assert {finding.verdict for finding in found.values()} == {"conforming"}
    assert {one.type for one in facts} | {"torque.applied", "rebuild.opened"} == INSTRUMENT.reads


def test_all_that_is_wrong_is_told_and_the_worst_decides():
    record = wrench({"on": "2024-01-20"}, events=[happened("dropped")])
    finding = tool(torque("120 N.m"), record=record)
    assert finding.verdict == "nonconforming"
    assert all(words in finding.says for words in ("run out", "dropped", "120 N.m is out of its range"))
