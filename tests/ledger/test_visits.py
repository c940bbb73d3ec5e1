"""More than one rebuild and more than one crew: two regulators in one visit, a job handed over, broken off, repaired.

A rebuild is proved by its own entries. What a verdict rests on (isolation, proof of zero, notices, restoring) is
recorded in each; what is known of an asset or an instrument (meters, certificates, exchanges) is recorded once. Common
practice, no published source.
"""

from __future__ import annotations

import copy
from datetime import UTC, datetime

import pytest

from service.entries.refusals import Contradiction
from tests.ledger.bench import Bench, Clock
from tests.ledger.scenario import (
    FACILITY,
    PROCEDURE,
    REBUILD,
    REGULATOR,
    corrected,
    countersigned,
    entry,
    find,
    rebuild,
    setting_up,
)

SECOND = "01981000-0000-7000-8000-0000000000bb"
THIRD = "01981000-0000-7000-8000-0000000000cc"
COMMISSIONED = "2023-02-01"
OF_THE_BANK = ("bank.isolated", "bank.restored")


@pytest.fixture
def bench(store):
    """Two regulators on one bank's manifold, half a year on."""
    bench = Bench(store, FACILITY, Clock(datetime(2026, 12, 20, 12, tzinfo=UTC)))
    bench.post(setting_up())
    bench.post(entry("asset.registered", "09:05", {**REGULATOR, "serial": "S-205"}, asset="AIR1-L2", day="2026-03-03"))
    return bench


def item(bench, asset="AIR1-LB", procedure="BR-3", as_of="2026-07-20"):
    (found,) = [one for one in bench.due(as_of) if (one["asset"], one["procedure"]) == (asset, procedure)]
    return found


def naming_the_bank(entries):
    """The same, with what was done to the bank recorded of the bank."""
    return [{**one, "asset": "AIR1"} if one["type"] in OF_THE_BANK else one for one in entries]


def anonymous(entries):
    """Without ids of their own: they are derived from what the entries say."""
    return [{name: value for name, value in one.items() if name != "id"} for one in entries]


# Two regulators in one visit


def both(first=REBUILD, second=SECOND):
    return naming_the_bank(rebuild(first)), naming_the_bank(rebuild(second, asset="AIR1-L2"))


def test_two_rebuilds_open_at_once_under_one_isolation_are_judged_each_by_its_own_entries(bench):
    one, other = both()
    for pair in zip(one, other, strict=True):  # as they happened, entry by entry
        bench.post(list(pair))
    assert [bench.rebuild(id_).verdict for id_ in (REBUILD, SECOND)] == ["conforming", "conforming"]
    assert [item(bench, asset)["anchor"] for asset in ("AIR1-LB", "AIR1-L2")] == ["2026-07-14", "2026-07-14"]
    live = bench.contents()
    assert bench.replayed() == live


@pytest.mark.parametrize("shared", ["bank.isolated", "pressure.read"])
def test_an_isolation_recorded_in_one_proves_nothing_for_the_other(bench, shared):
    """One file with another rebuild in its defaults is all it takes to record it in both."""
    one, other = both()
    phases = {"isolated", None}
    without = [each for each in other if each["type"] != shared or each["data"].get("phase") not in phases]
    assert len(without) < len(other)
    bench.post([*one, *without])
    assert [bench.rebuild(id_).verdict for id_ in (REBUILD, SECOND)] == ["conforming", "inconclusive"]
    bench.post([each for each in other if each not in without])
    assert bench.rebuild(SECOND).verdict == "conforming"


def test_the_same_words_in_two_rebuilds_are_two_entries(bench):
    """Ids left out are derived from the rebuild too; one id for both would be one entry, told twice."""
    one, other = (anonymous(entries) for entries in both())
    receipt = bench.post([*one, *other])
    assert len({accepted.id for accepted in receipt.accepted}) == len(one) + len(other)
    isolated = find(both()[0], "bank.isolated")
    with pytest.raises(Contradiction):
        bench.post([isolated, {**isolated, "rebuild": SECOND}])


def test_work_recorded_in_the_wrong_one_of_two_is_missed_there_and_never_counted_here(bench):
    one, other = both()
    torque = find(one, "torque.applied", joint="plug")
    mixed_up = {**torque, "rebuild": SECOND}
    bench.post([each for each in one if each is not torque] + other + [mixed_up])
    assert bench.rebuild(REBUILD).verdict != "conforming"
    assert bench.rebuild(SECOND).verdict != "conforming"
    right = {name: value for name, value in torque.items() if name != "id"}
    bench.post([corrected(torque["id"], "10:05", withdrawn=True), right, {**countersigned("11:30"), **_here(REBUILD)},
                {**countersigned("11:30"), **_here(SECOND, "AIR1-L2")}])  # fmt: skip
    assert [bench.rebuild(id_).verdict for id_ in (REBUILD, SECOND)] == ["conforming", "conforming"]


def test_one_back_in_service_leaves_the_other_out_until_it_is_too(bench):
    one, other = both()
    restored = next(place for place, each in enumerate(other) if each["type"] == "bank.restored")
    bench.post([*one, *other[:restored]])
    assert (item(bench)["out_of_service"], item(bench, "AIR1-L2")["out_of_service"]) == (False, True)
    bench.post(other[restored:])
    assert not item(bench, "AIR1-L2")["out_of_service"]


def test_what_belongs_to_the_manifold_or_an_instrument_is_recorded_once_and_reaches_both(bench):
    bench.post([each for entries in both() for each in entries])
    bench.post(entry("meter.read", "11:00", {"meter": "changeovers", "reading": "500"}, asset="AIR1"))
    for asset in ("AIR1-LB", "AIR1-L2"):
        assert "500 on 2026-07-14" in item(bench, asset)["says"]
    late = {"instrument": "TW-5", "on": "2026-07-01", "certificate": "K-91", "uncertainty_percent": "1.0", "k": "2",
            "as_left_error_percent": "-12.0"}  # fmt: skip
    bench.post(entry("instrument.calibrated", "15:00", late))  # it read 12 % low: 31.0 N.m was 35.2
    assert [bench.rebuild(id_).verdict for id_ in (REBUILD, SECOND)] == ["nonconforming", "nonconforming"]


# A job handed from one crew to the next


HANDED_OVER = {"text": "Handed over at the change of shift: reassembled, stem not in yet", "crew": ["pia", "noor"]}


def _here(id_=REBUILD, asset="AIR1-LB"):
    return {"asset": asset, "rebuild": id_}


def handed_over(signer="ruth"):
    """Ines and Otto strip and reassemble; Pia and Noor, next morning's crew, count the stem in and finish."""
    taken_over = {"ines": "pia", "otto": "noor"}
    entries = rebuild()
    place = entries.index(find(entries, "turns.counted", direction="in"))
    later = copy.deepcopy(entries[place:])
    for one in later:
        one["by"] = taken_over.get(one["by"], signer)
        if who := one["data"].get("counted_by"):
            one["data"]["counted_by"] = taken_over[who]
    note = entry("note.added", "09:18", HANDED_OVER, by="ines", **_here())
    return [*entries[:place], note, *later]


def test_a_job_handed_over_is_one_rebuild_in_which_each_entry_says_who_did_it(bench):
    bench.post(handed_over())
    assert bench.rebuild().verdict == "conforming"
    assert "8.5 turns out (ines, otto), 8.5 in (pia, noor)" in bench.finding("turns", "stem")["says"]


@pytest.mark.parametrize("signer", ["ines", "otto", "pia", "noor"])
def test_nobody_of_either_crew_countersigns_it(bench, signer):
    bench.post(handed_over(signer))
    assert bench.finding("sign_off", "countersignature")["verdict"] == "nonconforming"
    assert bench.rebuild().verdict == "nonconforming"


def test_one_who_took_over_and_recorded_nothing_is_known_by_the_note_even_if_it_comes_late(bench):
    late = {**HANDED_OVER, "crew": ["pia", "noor", "ruth"]}
    bench.post(handed_over())
    assert bench.rebuild().verdict == "conforming"
    (note,) = bench.post(entry("note.added", "09:19", late, by="noor", **_here())).accepted
    assert "one of the crew" in bench.finding("sign_off", "countersignature")["says"]
    bench.post(corrected(note.id, "10:20", data=HANDED_OVER))
    assert bench.rebuild().verdict == "conforming"


# A job broken off and begun again


def broken_off():
    """Isolated, proven, counted out: then the kit was the wrong one, and it was put together again unopened."""
    out = next(place for place, one in enumerate(rebuild()) if one["type"] == "part.removed")
    closing = entry("rebuild.closed", "08:35", {"outcome": "aborted", "reason": "wrong kit"}, by="ines", **_here())
    return [*rebuild()[:out], closing]


def test_a_job_broken_off_resets_nothing_and_shows_that_the_bank_is_out(bench):
    bench.post(broken_off())
    row = bench.rebuild()
    assert (row.state, row.outcome, row.verdict) == ("closed", "aborted", "inconclusive")
    assert (item(bench)["anchor"], item(bench)["out_of_service"]) == (COMMISSIONED, True)


def test_begun_again_it_is_another_rebuild_and_the_first_stays_on_record(bench):
    bench.post(broken_off())
    broken = bench.judged()
    bench.post(rebuild(SECOND, day="2026-07-16"))
    assert bench.rebuild(SECOND).verdict == "conforming"
    assert (item(bench)["anchor"], item(bench)["rebuild"]) == ("2026-07-16", SECOND)
    assert not item(bench)["out_of_service"]
    assert bench.judged() == broken
    assert (bench.rebuild().outcome, bench.rebuild().verdict) == ("aborted", "inconclusive")


def test_what_the_first_has_proved_is_not_proved_for_the_second(bench):
    """Two days lie between: zero was proven on another day."""
    bench.post(broken_off())
    begun_again = [one for one in rebuild(SECOND, day="2026-07-16") if one["data"].get("phase") != "isolated"]
    bench.post(begun_again)
    assert bench.finding("zero_pressure", "outlet", SECOND)["verdict"] == "inconclusive"
    assert item(bench)["anchor"] == COMMISSIONED


def test_a_stem_that_the_first_left_out_is_no_setting_to_hold_the_second_against(bench):
    bench.post(rebuild(THIRD, day="2026-05-04"))
    bench.post(broken_off())
    bench.post(rebuild(SECOND, day="2026-07-16"))
    told = bench.finding("stem_continuity", "stem", SECOND)
    assert (told["verdict"], told["counts"]) == ("not_applicable", False)
    assert "does not tell how far the stem was left engaged" in told["says"]


def test_closed_by_mistake_the_closing_is_withdrawn_and_the_same_rebuild_goes_on(bench):
    bench.post(broken_off())
    with pytest.raises(Contradiction):
        bench.post([{**find(rebuild(), "rebuild.opened"), "id": SECOND}])
    closing = next(one for one in bench.entries() if one.type == "rebuild.closed")
    bench.post(corrected(closing.id, "08:40", withdrawn=True))
    assert bench.rebuild().state == "open"
    bench.post(rebuild())
    assert (bench.rebuild().verdict, item(bench)["anchor"]) == ("conforming", "2026-07-14")


# A repair, and a rebuild that does for the lesser service


def plans(bench):
    """A yearly check and the full rebuild; the full one satisfies the check, the repair nothing."""
    service = [{"procedure": "BR-3", "every": "P3Y"}, {"procedure": "BR-1", "every": "P1Y"}]
    bench.post(entry("asset.amended", "07:00", {"patch": {"service": service}}, asset="AIR1-LB", day="2026-03-04"))
    for code, satisfies in (("BR-1", []), ("BR-9", ["BR-3", "BR-1"]), ("BR-20", [])):
        bench.post(entry("procedure.published", "07:00", {**PROCEDURE, "code": code, "satisfies": satisfies}))


def by(procedure, id_, day):
    entries = rebuild(id_, day=day)
    entries[0]["data"] |= {"procedure": procedure, "reason": "fault" if procedure == "BR-20" else "scheduled"}
    return entries


def anchors(bench):
    return {procedure: item(bench, procedure=procedure, as_of="2026-12-20")["anchor"] for procedure in ("BR-3", "BR-1")}


def test_a_full_rebuild_does_for_the_yearly_check_and_the_check_not_for_the_rebuild(bench):
    plans(bench)
    bench.post(by("BR-9", REBUILD, "2026-07-14"))
    assert anchors(bench) == {"BR-3": "2026-07-14", "BR-1": "2026-07-14"}
    bench.post(by("BR-1", SECOND, "2026-10-01"))
    assert anchors(bench) == {"BR-3": "2026-07-14", "BR-1": "2026-10-01"}
    assert item(bench, procedure="BR-1", as_of="2026-12-20")["due_on"] == "2027-10-01"
    assert item(bench, procedure="BR-3", as_of="2026-12-20")["due_on"] == "2029-07-14"


def test_a_repair_resets_neither_however_well_it_was_done(bench):
    plans(bench)
    bench.post(by("BR-20", REBUILD, "2026-07-14"))
    assert bench.rebuild().verdict == "conforming"
    assert anchors(bench) == {"BR-3": COMMISSIONED, "BR-1": COMMISSIONED}


def test_a_repair_that_leaves_the_bank_out_shows_it_beside_every_service(bench):
    plans(bench)
    entries = by("BR-20", REBUILD, "2026-07-14")[:-2]
    left_out = entry("rebuild.closed", "10:00", {"outcome": "left_out_of_service", "reason": "seat creeps"}, by="ines")
    bench.post([*entries, {**left_out, **_here()}])
    assert all(item(bench, procedure=procedure)["out_of_service"] for procedure in ("BR-3", "BR-1"))


def test_what_a_procedure_satisfies_is_settled_by_the_revision_the_work_was_done_by(bench):
    """A later revision that drops a service takes nothing from what was done by the earlier one."""
    plans(bench)
    bench.post(by("BR-9", REBUILD, "2026-07-14"))
    lesser = {**PROCEDURE, "code": "BR-9", "revision": 2, "satisfies": ["BR-1"]}
    bench.post(entry("procedure.published", "07:00", lesser, day="2026-08-01"))
    assert anchors(bench)["BR-3"] == "2026-07-14"
    entries = by("BR-9", SECOND, "2026-10-01")
    entries[0]["data"]["revision"] = 2
    bench.post(entries)
    assert anchors(bench) == {"BR-3": "2026-07-14", "BR-1": "2026-10-01"}
