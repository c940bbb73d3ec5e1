"""The one way into the ledger, on both engines: places without gaps, a tree anyone can redo, all or nothing."""

from __future__ import annotations

import uuid
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta

import pytest
import rfc8785
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.entries.facility import FacilityOpened
from service.entries.refusals import Contradiction, NotAFact, NotAllowed, Stale, Unknown
from service.ledger.append import append, open_facility
from service.ledger.memory import Memory
from service.ledger.receipt import Receipt
from service.merkle import tree
from service.store import entries as stored
from tests.ledger.bench import Bench, Clock, submission
from tests.ledger.scenario import (
    FACILITY,
    PROCEDURE,
    REBUILD,
    SEAT_FITTED,
    corrected,
    countersigned,
    entry,
    rebuild,
    setting_up,
    work,
)

HERE = {"asset": "AIR1-LB", "rebuild": REBUILD}
FILE = {"defaults": {**HERE, "by": "ines"}, "entries": work()}


def note(text="ok", **envelope):
    return {**entry("note.added", "09:00", {"text": text}), **HERE, **envelope}


def bodies(bench):
    """(seq, canonical text) of everything."""
    with bench.store.reading() as tx:
        return stored.page(tx, bench.facility, 0, 100_000)


def assert_sound(bench):
    """Every invariant of a ledger, from nothing but the stored texts and the head."""
    found, head = bodies(bench), bench.head()
    assert [seq for seq, _ in found] == list(range(1, head.size + 1))
    entries = bench.entries()
    assert all(one.body["seq"] == one.seq and one.body["facility"] == bench.facility for one in entries)
    assert len({one.id for one in entries}) == len(entries)
    assert all(text.encode() == rfc8785.dumps(one.body) for (_, text), one in zip(found, entries, strict=True))
    assert all(len(text.encode()) <= 65_535 for _, text in found)
    recorded = [one.recorded_at for one in entries]
    assert recorded == sorted(recorded)
    leaves = [tree.leaf_hash(text.encode()) for _, text in found]
    assert bytes(head.root) == tree.root(tree.append(tree.EMPTY_EDGE, leaves).edge)
    return leaves


# Places, bytes, tree


def test_the_facility_itself_is_entry_one(bench):
    first = bench.entries()[0]
    assert (first.seq, first.type, first.data) == (1, "facility.opened", FACILITY)
    assert first.body["credential"] == "server"


def test_every_entry_has_the_next_place_and_its_leaf_is_hashed_from_its_canonical_bytes(bench):
    receipt = bench.post(FILE)
    leaves = assert_sound(bench)
    assert [one.seq for one in receipt.accepted] == list(range(9, 9 + len(work())))
    assert [one.leaf_hash for one in receipt.accepted] == [leaves[one.seq - 1] for one in receipt.accepted]
    assert (receipt.size, receipt.root) == (bench.head().size, bytes(bench.head().root))


def test_the_root_is_right_after_every_append(bench):
    for one in rebuild():
        bench.post(one)
        assert_sound(bench)


def test_what_was_sent_is_kept_as_sent_and_the_server_adds_its_own(bench):
    attachment = {"sha256": "cd" * 32, "media_type": "image/png"}
    sent = note("gewaschen — ok \N{WRENCH} \ue000", id=str(uuid.uuid4()), attachments=[attachment], by="Ö-7")
    bench.post(sent, credential="bench tablet 3")
    body = dict(bench.entries()[-1].body)
    added = {name: body.pop(name) for name in ("seq", "facility", "recorded_at", "credential")}
    assert body == sent
    assert added == {
        "seq": 9,
        "facility": "ferrow",
        "recorded_at": "2026-07-20T12:00:00.000000Z",
        "credential": "bench tablet 3",
    }
    assert_sound(bench)


def test_recorded_at_never_runs_backwards_though_the_clock_does(bench):
    bench.post(note("first"))
    bench.tick(hours=-3)
    bench.post(note("second"))
    bench.tick(hours=1)
    bench.post(note("third"))
    bench.tick(hours=3)
    bench.post(note("fourth"))
    noon = "2026-07-20T12:00:00.000000Z"
    assert [one.recorded_at for one in bench.entries()[-4:]] == [noon, noon, noon, "2026-07-20T13:00:00.000000Z"]


def test_two_facilities_in_one_database_know_nothing_of_each_other(bench):
    other = Bench(bench.store, {**FACILITY, "code": "skerry"})
    before = bench.contents()
    with pytest.raises(NotAFact) as refused:
        other.post(note())
    assert refused.value.code == "unknown_asset"
    other.post(setting_up())
    other.post(rebuild())
    assert bench.contents() == before
    bench.post(rebuild())
    assert_sound(bench)
    assert_sound(other)
    assert bench.rebuild().verdict == other.rebuild().verdict == "conforming"


def test_there_is_no_ledger_without_a_facility(bench):
    with pytest.raises(Unknown) as refused:
        append(bench.store, Memory("nowhere"), [submission(note())], bench.clock)
    assert refused.value.code == "unknown_facility"


def test_a_facility_is_opened_once(bench):
    with pytest.raises(Contradiction) as refused:
        open_facility(bench.store, FacilityOpened.model_validate({**FACILITY, "name": "Other"}), bench.clock)
    assert refused.value.code == "already_open_facility"
    assert_sound(bench)


# Again


def test_the_same_id_with_the_same_content_answers_as_before(bench):
    first = bench.post(rebuild())
    size, root = first.size, first.root
    again = bench.post(rebuild())
    assert [(one.seq, one.id, one.leaf_hash) for one in again.accepted] == [
        (one.seq, one.id, one.leaf_hash) for one in first.accepted
    ]
    assert {one.replayed for one in first.accepted} == {False}
    assert {one.replayed for one in again.accepted} == {True}
    assert (again.size, again.root) == (size, root)
    assert again.rebuilds == ({"id": REBUILD, "state": "closed", "verdict": "conforming"},)
    assert again.findings == ()


def test_another_credential_may_send_the_same_again(bench):
    bench.post(rebuild(), credential="tablet")
    assert {one.replayed for one in bench.post(rebuild(), credential="office").accepted} == {True}
    assert {one.body["credential"] for one in bench.entries() if one.rebuild and one.type != "rebuild.judged"} == {
        "tablet"
    }


def test_the_same_id_with_other_content_is_a_contradiction_and_nothing_is_written(bench):
    bench.post(rebuild())
    before = bench.head(), bench.contents()
    with pytest.raises(Contradiction) as refused:
        bench.post([note("new"), {**rebuild()[5], "by": "otto"}])
    assert [(fault.pointer, fault.code) for fault in refused.value.faults] == [("/1/id", "id_taken")]
    assert (bench.head(), bench.contents()) == before


def test_a_file_without_ids_posted_twice_changes_nothing(bench):
    first = bench.post(FILE)
    before = bench.head(), bench.contents()
    again = bench.post({**FILE, "sent_at": "2026-07-16T00:00:00Z"})
    assert [one.id for one in again.accepted] == [one.id for one in first.accepted]
    assert {one.replayed for one in again.accepted} == {True}
    assert (bench.head(), bench.contents()) == before


def test_a_file_sent_again_with_more_in_it_adds_only_what_is_new(bench):
    bench.post({**FILE, "entries": work()[:10]})
    again = bench.post(FILE)
    assert [one.replayed for one in again.accepted] == [True] * 10 + [False] * (len(work()) - 10)


def test_two_identical_entries_in_one_file_are_two_entries_and_both_are_found_again(bench):
    twice = [note("checked"), note("checked")]
    one, two = bench.post(twice).accepted
    assert (one.seq, two.seq) == (9, 10)
    assert one.id != two.id
    assert [again.seq for again in bench.post(twice).accepted] == [9, 10]
    assert [again.seq for again in bench.post([*twice, note("checked")]).accepted] == [9, 10, 11]


@settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_however_a_file_is_cut_and_repeated_each_entry_is_there_once(quick_bench, data):
    code = f"f{uuid.uuid4().hex[:8]}"
    bench = Bench(quick_bench.store, {**FACILITY, "code": code})
    bench.post(setting_up())
    whole = rebuild()
    for _ in range(data.draw(st.integers(1, 5))):
        start, end = sorted(data.draw(st.tuples(*[st.integers(0, len(whole))] * 2)))
        if start < end:
            bench.post(whole[start:end])
    bench.post(whole)
    facts = [one.id for one in bench.entries() if one.rebuild and one.type != "rebuild.judged"]
    assert sorted(facts) == sorted(one["id"] for one in whole)
    assert bench.rebuild().verdict == "conforming"
    assert_sound(bench)


# Groups


def test_a_refused_submission_in_a_group_does_not_touch_its_neighbours(bench):
    good, bad, forbidden, other = bench.group(
        submission([note("one"), note("two")]),
        submission([note("three"), note("four", asset="AIR9")]),
        submission(note("five"), scopes={"read"}),
        submission(note("six")),
    )
    assert [one.seq for one in (*good.accepted, *other.accepted)] == [9, 10, 11]
    assert isinstance(bad, NotAFact)
    assert isinstance(forbidden, NotAllowed)
    assert [one.data["text"] for one in bench.entries()[-3:]] == ["one", "two", "six"]
    assert good.size == other.size == 11
    assert_sound(bench)


def test_a_group_in_which_all_is_refused_leaves_no_trace(bench):
    before = bench.head(), bench.contents()
    assert [type(one) for one in bench.group(submission(note(asset="AIR9")), submission(note(asset="AIR8")))] == [
        NotAFact,
        NotAFact,
    ]
    assert (bench.head(), bench.contents()) == before


def test_the_same_file_twice_in_a_group_is_recorded_once(bench):
    first, again = bench.group(submission(FILE), submission(FILE))
    assert [one.seq for one in first.accepted] == [one.seq for one in again.accepted]
    assert {one.replayed for one in again.accepted} == {True}
    assert_sound(bench)


def test_in_a_group_each_is_decided_on_what_those_before_it_said(bench):
    tag = entry("asset.registered", "09:00", {"kind": "manifold", "gas": "oxygen"}, asset="OX1")
    again = entry("asset.registered", "09:01", {"kind": "manifold", "gas": "nitrogen"}, asset="OX1")
    used = entry("meter.read", "09:02", {"meter": "hours", "reading": "5"}, asset="OX1")
    first, second, third = bench.group(submission(tag), submission(again), submission(used))
    assert isinstance(first, Receipt)
    assert isinstance(second, Contradiction)
    assert isinstance(third, Receipt)
    assert bench.asset("OX1").gas == "oxygen"


def test_in_a_group_a_revision_is_published_once(bench):
    one = entry("procedure.published", "09:00", {**PROCEDURE, "revision": 2, "title": "One"})
    two = entry("procedure.published", "09:01", {**PROCEDURE, "revision": 2, "title": "Two"})
    opening = entry("rebuild.opened", "09:02", {"procedure": "BR-3", "revision": 2, "reason": "fault"}, **HERE)
    first, second, third = bench.group(submission(one), submission(two), submission(opening))
    assert isinstance(first, Receipt)
    assert isinstance(second, Contradiction)
    assert isinstance(third, Receipt)
    assert bench.rebuild().revision == 2


def test_in_a_group_a_rebuild_is_opened_and_closed_once(bench):
    opening, closing = rebuild()[0], rebuild()[-2]
    outcomes = bench.group(
        submission(opening),
        submission({**opening, "id": str(uuid.uuid4())}),
        submission(closing),
        submission({**closing, "id": str(uuid.uuid4())}),
        submission(entry("step.done", "10:01", {"step": 1}, **HERE)),
    )
    assert [type(one) for one in outcomes] == [Receipt, Contradiction, Receipt, Contradiction, Contradiction]


def test_a_correction_finds_its_target_in_the_group_before_it(bench):
    first, second = bench.group(
        submission(rebuild()), submission(corrected(SEAT_FITTED["id"], data={"part": "seat", "new": False}))
    )
    assert first.rebuilds == second.rebuilds == ({"id": REBUILD, "state": "closed", "verdict": "nonconforming"},)


# The picture the caller has


def patch(clock="09:00", **members):
    return entry("asset.amended", clock, {"patch": members}, asset="AIR1-LB")


def test_a_change_is_kept_out_when_the_asset_has_changed_since_it_was_read(bench):
    seen = bench.asset("AIR1-LB").seq
    bench.post(patch(location="Yard"), unless_changed=("AIR1-LB", seen))
    with pytest.raises(Stale):
        bench.post(patch(location="Roof"), unless_changed=("AIR1-LB", seen))
    assert '"location":"Yard"' in bench.asset("AIR1-LB").body
    bench.post(patch("09:01", location="Roof"), unless_changed=("AIR1-LB", bench.asset("AIR1-LB").seq))
    assert '"location":"Roof"' in bench.asset("AIR1-LB").body


def test_of_two_changes_that_saw_the_same_only_one_is_taken_even_in_one_group(bench):
    seen = ("AIR1-LB", bench.asset("AIR1-LB").seq)
    first, second = bench.group(
        submission(patch(location="Yard"), unless_changed=seen), submission(patch(location="Roof"), unless_changed=seen)
    )
    assert isinstance(first, Receipt)
    assert isinstance(second, Stale)
    assert '"location":"Yard"' in bench.asset("AIR1-LB").body


def test_what_happens_to_other_assets_makes_no_picture_stale(bench):
    seen = ("AIR1-LB", bench.asset("AIR1-LB").seq)
    bench.post(entry("asset.amended", "09:00", {"patch": {"location": "Roof"}}, asset="AIR1"))
    bench.post(rebuild())
    assert bench.post(patch(location="Yard"), unless_changed=seen)


def test_there_is_no_picture_of_what_is_not_registered(bench):
    with pytest.raises(Unknown) as refused:
        bench.post(patch(location="Yard"), unless_changed=("AIR9", 3))
    assert refused.value.code == "unknown_asset"


# Many at once


def in_parallel(*tasks):
    with ThreadPoolExecutor(len(tasks)) as pool:
        return [future.result() for future in [pool.submit(task) for task in tasks]]


def test_eight_writers_each_with_a_store_of_their_own_leave_one_ledger_without_gaps(bench, database_url, open_store):
    stores = [open_store(database_url) for _ in range(8)]

    def write(number):
        taken = []
        for turn in range(4):
            body = [note(f"{number}.{turn}.{line}", by=f"tech-{number}") for line in range(3)]
            (receipt,) = append(stores[number], Memory(bench.facility), [submission(body)], bench.clock)
            taken.append(receipt)
        return taken

    receipts = [receipt for taken in in_parallel(*(lambda n=n: write(n) for n in range(8))) for receipt in taken]
    leaves = assert_sound(bench)
    places = [one.seq for receipt in receipts for one in receipt.accepted]
    assert sorted(places) == list(range(9, 9 + 8 * 4 * 3))
    for receipt in receipts:
        first, *_, last = [one.seq for one in receipt.accepted]
        assert last - first == 2, "a submission stands together"
        prefix = tree.append(tree.EMPTY_EDGE, leaves[: receipt.size]).edge
        assert receipt.root == tree.root(prefix), "a root that was told belongs to the one ledger there is"


def test_of_eight_who_close_one_rebuild_at_once_one_succeeds(bench, database_url, open_store):
    bench.post(rebuild()[:-2])
    stores = [open_store(database_url) for _ in range(8)]

    def close(number):
        body = {**entry("rebuild.closed", "10:00", {"outcome": "returned_to_service"}), **HERE, "by": f"tech-{number}"}
        return append(stores[number], Memory(bench.facility), [submission(body)], bench.clock)[0]

    outcomes = in_parallel(*(lambda n=n: close(n) for n in range(8)))
    assert sorted(type(one).__name__ for one in outcomes) == ["Contradiction"] * 7 + ["Receipt"]
    assert len(bench.judged()) == 1
    assert_sound(bench)


def test_eight_who_send_the_same_file_at_once_record_it_once(bench, database_url, open_store):
    stores = [open_store(database_url) for _ in range(8)]
    outcomes = in_parallel(
        *(lambda s=s: append(s, Memory(bench.facility), [submission(FILE)], bench.clock)[0] for s in stores)
    )
    assert len({tuple((one.seq, one.id, one.leaf_hash) for one in receipt.accepted) for receipt in outcomes}) == 1
    assert sum(not receipt.accepted[0].replayed for receipt in outcomes) == 1
    assert_sound(bench)


def test_two_facilities_are_written_side_by_side(bench, database_url, open_store):
    other = Bench(bench.store, {**FACILITY, "code": "skerry"})
    other.post(setting_up())
    stores = [open_store(database_url) for _ in range(4)]

    def write(number):
        facility = ("ferrow", "skerry")[number % 2]
        for one in rebuild()[number // 2 :: 2]:
            append(stores[number], Memory(facility), [submission(one)], bench.clock)

    in_parallel(*(lambda n=n: write(n) for n in range(4)))
    for ledger in (bench, other):
        assert_sound(ledger)
        assert ledger.rebuild().verdict == "conforming"


def test_of_two_who_open_one_facility_at_once_one_succeeds(database_url, open_store):
    opened = FacilityOpened.model_validate(FACILITY)
    stores = [open_store(database_url) for _ in range(4)]

    def attempt(mine):
        try:
            return open_facility(mine, opened, Clock(datetime(2026, 7, 1, tzinfo=UTC)))
        except Contradiction as refusal:
            return refusal

    outcomes = in_parallel(*(lambda s=s: attempt(s) for s in stores))
    assert sorted(type(one).__name__ for one in outcomes) == ["Contradiction"] * 3 + ["Receipt"]


def test_a_crash_before_the_commit_leaves_nothing(bench, monkeypatch):
    before = bench.head(), bench.contents(), bodies(bench)

    def lost(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr(stored, "move_head", lost)
    with pytest.raises(KeyboardInterrupt):
        bench.post(rebuild())
    monkeypatch.undo()
    assert (bench.head(), bench.contents(), bodies(bench)) == before
    assert {one.replayed for one in bench.post(rebuild()).accepted} == {False}
    assert_sound(bench)


def test_a_receipt_tells_which_rebuilds_and_findings_it_touched(bench):
    receipt = bench.post(rebuild()[:-1])
    assert receipt.rebuilds == ({"id": REBUILD, "state": "closed", "verdict": "inconclusive"},)
    assert {one["check"] for one in receipt.findings} >= {"torque", "turns", "sign_off"}
    signed = bench.post({**countersigned(), **HERE})
    assert signed.rebuilds == ({"id": REBUILD, "state": "closed", "verdict": "conforming"},)
    assert signed.findings == (
        {"rebuild": REBUILD, "check": "sign_off", "subject": "countersignature", "verdict": "conforming"},
    )


def test_a_recalibration_tells_whom_it_stirred(bench):
    bench.post(rebuild())
    bad = {"instrument": "TW-5", "on": "2026-07-10", "as_left_error_percent": "20"}
    receipt = bench.post(entry("instrument.calibrated", "12:00", bad))
    assert receipt.rebuilds == ({"id": REBUILD, "state": "closed", "verdict": "nonconforming"},)
    assert {(one["check"], one["subject"]) for one in receipt.findings} == {
        ("torque", "bonnet"),
        ("torque", "plug"),
        ("instrument", "TW-5"),
    }


def test_a_wrench_said_to_have_been_dropped_before_the_work_stirs_the_rebuild_too(bench):
    bench.post(rebuild())
    receipt = bench.post(entry("instrument.event", "07:30", {"instrument": "TW-5", "event": "dropped"}))
    assert receipt.rebuilds == ({"id": REBUILD, "state": "closed", "verdict": "nonconforming"},)
    assert {(one["check"], one["subject"], one["verdict"]) for one in receipt.findings} == {
        ("instrument", "TW-5", "nonconforming")
    }


def test_time_between_two_appends_shows_in_what_is_recorded(bench):
    bench.post(note("one"))
    bench.tick(seconds=1.5)
    bench.post(note("two"))
    one, two = (datetime.fromisoformat(found.recorded_at) for found in bench.entries()[-2:])
    assert two - one == timedelta(seconds=1.5)
