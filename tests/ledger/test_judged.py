"""The server's judgement is an entry: at the closing, and at every change after it."""

from __future__ import annotations

import hashlib

import pytest

from service.checks.catalogue import EDITION
from service.ledger.judge import Judgement, digest_of
from service.ledger.replay import replay
from service.merkle.canonical import canonical
from tests.ledger.scenario import (
    PROCEDURE,
    REBUILD,
    REGULATOR,
    SEAT_FITTED,
    corrected,
    countersigned,
    entry,
    find,
    q,
    rebuild,
)

HERE = {"asset": "AIR1-LB", "rebuild": REBUILD}
UNSIGNED = rebuild()[:-1]
OPEN = rebuild()[:-2]
NOT_CONFORMING = {"check": "torque", "subject": "bonnet"}


def verdicts(bench):
    return [(one["state"], one["verdict"]) for one in bench.judged()]


def test_while_a_rebuild_is_open_its_verdict_so_far_is_shown_and_nothing_is_written_down(bench):
    for one in OPEN:
        bench.post(one)
    assert (bench.rebuild().state, bench.rebuild().verdict) == ("open", "inconclusive")
    assert bench.judged() == []
    bench.post(
        {
            **find(OPEN, "torque.applied", joint="plug"),
            "id": SEAT_FITTED["id"][:-1] + "f",
            "data": {"joint": "plug", "torque": q("90 N.m")},
        }
    )
    assert (bench.rebuild().state, bench.rebuild().verdict) == ("open", "nonconforming")
    assert bench.judged() == []


def test_facts_before_any_opening_stand_unjudged(bench):
    bench.post(OPEN[5])
    assert (bench.rebuild().state, bench.rebuild().verdict, bench.findings()) == ("unopened", "inconclusive", [])
    assert bench.rebuild().asset is None


def test_the_closing_is_judged_and_so_is_the_countersignature_after_it(bench):
    bench.post(UNSIGNED)
    assert verdicts(bench) == [("closed", "inconclusive")]
    bench.post({**countersigned(), **HERE})
    assert verdicts(bench) == [("closed", "inconclusive"), ("closed", "conforming")]


def test_a_judgement_names_edition_findings_and_how_far_it_has_seen(bench):
    receipt = bench.post(rebuild())
    (judged,) = bench.judged()
    written = bench.entries()[-1]
    assert (written.type, written.body["credential"], written.body["rebuild"]) == ("rebuild.judged", "server", REBUILD)
    assert written.asset == "AIR1-LB"
    assert judged == {
        "edition": EDITION,
        "state": "closed",
        "verdict": "conforming",
        "through": receipt.accepted[-1].seq,
        "findings": bench.findings(),
    }
    assert judged["through"] == written.seq - 1
    assert bench.rebuild().judged_digest == digest_of(judged)


def test_the_judgement_of_a_late_fact_has_seen_it(bench):
    bench.post(rebuild())
    bench.tick(days=3)
    late = bench.post(entry("torque.applied", "09:12", {"joint": "bonnet", "torque": q("90 N.m")}, **HERE))
    assert verdicts(bench)[-1] == ("closed", "nonconforming")
    assert bench.judged()[-1]["through"] == late.accepted[-1].seq
    assert bench.finding("torque", "bonnet")["verdict"] == "nonconforming"


def test_nothing_is_written_when_nothing_changes(bench):
    bench.post(rebuild())
    before = bench.judged()
    bench.post(rebuild())
    bench.post(entry("notice.given", "15:00", {"to": ["ward 2"], "when": "after"}, **HERE))
    bench.post(entry("meter.read", "15:00", {"meter": "changeovers", "reading": "1"}, asset="AIR1"))
    bench.post(entry("instrument.calibrated", "15:00", {"instrument": "TW-6", "on": "2026-07-01"}))
    bench.post(entry("asset.amended", "15:00", {"patch": {"location": "Roof"}}, asset="AIR1"))
    bench.post(entry("facility.amended", "15:00", {"name": "Ferrow"}))
    assert bench.judged() == before


def test_a_note_or_a_concession_changes_no_verdict(bench):
    bench.post([*rebuild(), {**corrected(SEAT_FITTED["id"], data={"part": "seat", "new": False})}])
    assert verdicts(bench) == [("closed", "nonconforming")]
    accepted = {"check": "parts", "subject": "seat", "reason": "no stock", "authority": "authorising engineer"}
    bench.post(entry("finding.accepted", "12:00", accepted, **HERE))
    bench.post(entry("note.added", "12:00", {"text": "seen"}, **HERE))
    assert verdicts(bench) == [("closed", "nonconforming")]


def test_a_correction_is_judged_anew(bench):
    bench.post(rebuild())
    bench.post(corrected(SEAT_FITTED["id"], data={"part": "seat", "new": False}))
    assert verdicts(bench) == [("closed", "conforming"), ("closed", "nonconforming")]
    assert bench.finding("parts", "seat")["verdict"] == "nonconforming"


def test_a_new_certificate_judges_every_closed_rebuild_that_used_the_instrument(bench):
    bench.post(rebuild())
    other = "01981000-0000-7000-8000-0000000000bb"
    bench.post(rebuild(other, day="2026-07-16"))
    high = {"instrument": "TW-5", "on": "2026-07-10", "as_left_error_percent": "16"}
    bench.post(entry("instrument.calibrated", "12:00", high))
    for one in (REBUILD, other):
        assert [found["verdict"] for found in bench.judged(one)] == ["conforming", "nonconforming"]
        assert "60.0 N.m indicated / (1 + 16 %) = 51.7 N.m" in bench.finding("torque", "bonnet", one)["says"]


def test_a_certificate_that_is_withdrawn_judges_them_back(bench):
    bench.post(rebuild())
    high = {"instrument": "TW-5", "on": "2026-07-10", "as_left_error_percent": "16"}
    receipt = bench.post(entry("instrument.calibrated", "12:00", high))
    bench.post(corrected(receipt.accepted[0].id, "13:00", withdrawn=True))
    assert [one["verdict"] for one in bench.judged()] == ["conforming", "nonconforming", "conforming"]
    assert digest_of(bench.judged()[0]) == digest_of(bench.judged()[2])


def test_an_instrument_registered_after_it_was_used_counts_from_then_on(bench):
    unknown = [
        {**one, "data": {**one["data"], "instrument": "TW-9"}} if one["type"] == "torque.applied" else one
        for one in rebuild()
    ]
    bench.post(unknown)
    before = bench.finding("torque", "bonnet")["says"]
    wrench = {
        "instrument": "TW-9",
        "kind": "torque_tool",
        "type": "setting",
        "resolution": q("1 N.m"),
        "max": q("100 N.m"),
    }
    receipt = bench.post(entry("instrument.registered", "12:00", wrench))
    after = bench.finding("torque", "bonnet")["says"]
    assert after != before
    assert len(bench.judged()) == 2
    bench.post(corrected(receipt.accepted[0].id, "13:00", withdrawn=True))
    assert bench.finding("torque", "bonnet")["says"] == before
    assert digest_of(bench.judged()[0]) == digest_of(bench.judged()[2])


def test_an_amended_register_judges_the_rebuilds_made_under_it(bench):
    bench.post(rebuild())
    narrow = {"delivered_pressure": {"flowing": {"low": q("640 kPa")}}}
    bench.post(entry("asset.amended", "07:00", {"patch": narrow}, asset="AIR1-LB"))
    assert bench.finding("delivered_pressure", "flowing")["verdict"] == "nonconforming"
    assert verdicts(bench)[-1] == ("closed", "nonconforming")


def test_an_amendment_of_after_the_opening_judges_nothing_of_before(bench):
    bench.post(rebuild())
    narrow = {"delivered_pressure": {"flowing": {"low": q("640 kPa")}}}
    bench.post(entry("asset.amended", "12:00", {"patch": narrow}, asset="AIR1-LB"))
    assert verdicts(bench) == [("closed", "conforming")]
    again = "01981000-0000-7000-8000-0000000000bb"
    bench.post(rebuild(again, day="2026-07-16"))
    assert bench.rebuild(again).verdict == "nonconforming"


def test_how_an_earlier_rebuild_left_the_stem_is_looked_back_on(bench):
    later = "01981000-0000-7000-8000-0000000000bb"
    bench.post(rebuild(later, day="2026-07-16"))
    assert bench.finding("stem_continuity", "stem", later)["verdict"] == "not_applicable"
    bench.post(rebuild())  # arrives second, happened first; leaves 8.75 turns engaged
    assert bench.finding("stem_continuity", "stem", later)["verdict"] == "conforming"
    assert len(bench.judged(later)) == 2
    adjusted = entry("setting.adjusted", "12:00", {"turns": q("1 turn")}, asset="AIR1-LB")
    bench.post(adjusted)
    assert bench.finding("stem_continuity", "stem", later)["verdict"] == "nonconforming"
    assert len(bench.judged(later)) == 3
    assert {one["verdict"] for one in bench.judged(later)} == {"conforming"}, (
        "continuity is about the asset: never counts"
    )


def test_an_earlier_rebuild_moved_past_a_later_one_is_no_longer_looked_back_on(bench):
    later = "01981000-0000-7000-8000-0000000000bb"
    bench.post(rebuild())
    bench.post(rebuild(later, day="2026-07-16"))
    assert bench.finding("stem_continuity", "stem", later)["verdict"] == "conforming"
    opening = find(rebuild(), "rebuild.opened")
    bench.post(corrected(opening["id"], occurred_at="2026-07-18T08:00:00-03:00"))
    assert bench.finding("stem_continuity", "stem", later)["verdict"] == "not_applicable"


def test_a_rebuild_whose_opening_is_moved_does_not_look_back_on_itself(bench):
    bench.post(rebuild())
    bench.post(corrected(find(rebuild(), "rebuild.opened")["id"], occurred_at="2026-07-14T08:02:00-03:00"))
    assert bench.finding("stem_continuity", "stem")["verdict"] == "not_applicable"


def test_a_setting_adjusted_in_a_rebuild_that_counts_no_turns_is_looked_back_on_too(bench):
    small, later = "01981000-0000-7000-8000-0000000000cc", "01981000-0000-7000-8000-0000000000bb"
    bench.post(rebuild(later, day="2026-07-16"))
    bench.post(rebuild())  # leaves 8.75 turns engaged; 8.5 come out on the 16th
    repair = {"code": "AD-1", "revision": 1, "title": "Setting adjusted"}
    opening = {"procedure": "AD-1", "revision": 1, "reason": "fault"}
    bench.post(entry("procedure.published", "07:00", repair))
    between = {"day": "2026-07-15", **HERE, "rebuild": small}
    turned = entry("setting.adjusted", "09:00", {"turns": q("-2 turn")}, **between)
    bench.post([entry("rebuild.opened", "08:00", opening, **between), turned])
    finding = bench.finding("stem_continuity", "stem", later)
    assert finding["verdict"] == "nonconforming"
    assert "left with 6.75 turns engaged on 2026-07-15" in finding["says"]


def test_another_device_in_the_same_position_is_not_looked_back_on(bench):
    later = "01981000-0000-7000-8000-0000000000bb"
    bench.post(rebuild())
    bench.post(rebuild(later, day="2026-07-16"))
    exchanged = {"serial_out": "S-204", "serial_in": "S-900"}
    bench.post(entry("asset.exchanged", "09:00", exchanged, asset="AIR1-LB", day="2026-07-15"))
    assert bench.finding("stem_continuity", "stem", later)["verdict"] == "not_applicable"
    assert (bench.rebuild().serial, bench.rebuild(later).serial) == ("S-204", "S-900")


# Findings too large for one entry


def many_joints(count, name):
    joints = [{"joint": name(number), "low": q("28 N.m"), "high": q("34 N.m")} for number in range(count)]
    return {"code": "BIG-1", "revision": 1, "title": "Many joints", "joints": joints}


def opened_and_closed(bench, procedure, extra=()):
    bench.post(entry("procedure.published", "07:00", procedure))
    opening = {"procedure": procedure["code"], "revision": 1, "reason": "fault"}
    body = [entry("rebuild.opened", "08:00", opening), *extra, entry("rebuild.closed", "10:00", {"outcome": "aborted"})]
    bench.post({"defaults": HERE, "entries": body})


def test_findings_too_large_for_one_entry_are_shortened_and_pinned_by_their_digest(bench):
    torques = [
        entry("torque.applied", "09:00", {"joint": f"joint {number}", "torque": q("31.0 N.m"), "instrument": "TW-5"})
        for number in range(100)
    ]
    opened_and_closed(bench, many_joints(100, lambda number: f"joint {number}"), torques)
    (judged,) = bench.judged()
    full = bench.findings()
    assert {one["verdict"] for one in full if one["check"] == "torque"} == {"conforming"}
    assert len(full) > 100
    assert "says" in full[0]
    assert judged["findings"] == [
        {name: one[name] for name in ("check", "subject", "verdict", "counts")} for one in full
    ]
    assert judged["findings_digest"] == hashlib.sha256(canonical(full)).hexdigest()
    assert len(canonical(dict(bench.entries()[-1].body))) <= 65_535


def test_a_shortened_judgement_still_tells_one_from_another(bench):
    torques = [
        entry("torque.applied", "09:00", {"joint": f"joint {number}", "torque": q("31.0 N.m"), "instrument": "TW-5"})
        for number in range(100)
    ]
    opened_and_closed(bench, many_joints(100, lambda number: f"joint {number}"), torques)
    certificate = {"instrument": "TW-5", "on": "2026-07-10", "as_left_error_percent": "0.2"}
    bench.post(entry("instrument.calibrated", "12:00", certificate))
    first, second = bench.judged()
    assert first["findings"] == second["findings"]
    assert first["findings_digest"] != second["findings_digest"]
    live = bench.contents()
    assert bench.replayed() == live


@pytest.mark.parametrize("letter", ["x", "ö", "螺"])
def test_no_judgement_is_larger_than_an_entry_may_be(bench, letter):
    name = lambda number: f"{number:03}{letter * 61}"  # noqa: E731
    fitted = [
        entry("part.fitted", "09:00", {"part": f"{number:03}{letter * 60}", "new": True}) for number in range(400)
    ]
    big = {**many_joints(100, name), "kit": {"number": "K", "parts": [{"part": "seat", "action": "replace"}]}}
    opened_and_closed(bench, big, fitted)
    (judged,) = bench.judged()
    assert len(bench.findings()) > 500
    assert len(canonical(dict(bench.entries()[-1].body))) <= 65_535
    assert judged["findings_digest"] == hashlib.sha256(canonical(bench.findings())).hexdigest()
    assert judged["verdict"] == "nonconforming"


# Editions


def test_what_was_judged_by_an_older_edition_stays_until_something_new_is_known(bench, monkeypatch):
    bench.post(rebuild())
    before = bench.findings(), bench.contents()["due"]
    stricter = Judgement("closed", "nonconforming", (), "2031.4")
    monkeypatch.setattr("service.ledger.replay.EDITION", "2031.4")
    monkeypatch.setattr("service.ledger.standing.judge", lambda *_: stricter)
    after = bench.replayed()
    assert (bench.findings(), after["due"]) == before
    assert (bench.rebuild().edition, bench.rebuild().verdict) == (EDITION, "conforming")
    bench.post(entry("step.done", "09:58", {"step": 2}, **HERE))
    assert [(one["edition"], one["verdict"]) for one in bench.judged()] == [
        (EDITION, "conforming"),
        ("2031.4", "nonconforming"),
    ]
    assert bench.due("2026-07-20")[0]["anchor"] == "2023-02-01"


def test_a_replay_writes_nothing_into_the_ledger(bench):
    bench.post(rebuild())
    before = bench.head()
    replay(bench.store, bench.facility)
    assert bench.head() == before


def test_a_procedure_published_later_changes_no_rebuild_by_an_earlier_revision(bench):
    bench.post(rebuild())
    before = bench.judged(), bench.findings()
    stricter = {**PROCEDURE, "revision": 2, "joints": [{"joint": "bonnet", "low": q("70 N.m"), "high": q("71 N.m")}]}
    stricter["kit"] = {**PROCEDURE["kit"], "parts": [{"part": "seat", "action": "replace"}]}
    bench.post(entry("procedure.published", "12:00", stricter))
    assert (bench.judged(), bench.findings()) == before
    assert REGULATOR["service"][0]["procedure"] == PROCEDURE["code"]
