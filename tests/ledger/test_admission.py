"""What may be recorded, decided without a database: only what cannot be a fact is refused."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.api.intake import read_entries
from service.entries.catalogue import ENTRY_TYPES, SCOPES
from service.entries.refusals import Contradiction, NotAFact, NotAllowed, Refusal, TooLarge
from service.ledger.admit import SKEW, admit, ids_of
from service.ledger.knowledge import Known
from tests.entries.minimal import LEAST, about
from tests.ledger.scenario import (
    DAY,
    PROCEDURE,
    REBUILD,
    REGULATOR,
    corrected,
    countersigned,
    entry,
    find,
    q,
    rebuild,
    setting_up,
    work,
)

NOW = datetime(2026, 7, 20, 12, tzinfo=UTC)
HERE = {"asset": "AIR1-LB", "rebuild": REBUILD}
OTHER = "01981000-0000-7000-8000-0000000000bb"
NOWHERE = "01981000-0000-7000-8000-00000000dead"
WHOLE = rebuild()
UNSIGNED = WHOLE[:-1]
OPENING, CLOSING = find(WHOLE, "rebuild.opened"), find(WHOLE, "rebuild.closed")
SEAT = find(WHOLE, "part.fitted", part="seat")


class Desk:
    """Admission with what was admitted so far."""

    def __init__(self, *history, scopes=SCOPES):
        self.known = Known("ferrow", NOW, frozenset(SCOPES))
        for body in history:
            self.take(body)
        self.known.scopes = frozenset(scopes)

    def take(self, body):
        drafts = read_entries(body)
        return admit(drafts, ids_of("ferrow", drafts), self.known)

    def refusal(self, body, kind=NotAFact):
        with pytest.raises(Refusal) as refused:
            self.take(body)
        assert type(refused.value) is kind
        assert refused.value.detail
        return [(fault.pointer, fault.code) for fault in refused.value.faults]


def desk(*history, **caller):
    return Desk(setting_up(), *history, **caller)


def ahead(**span):
    """An occurred_at that much after now."""
    return (NOW + timedelta(**span)).isoformat()


# What nobody here knows


@pytest.mark.parametrize(
    "type_", [name for name, row in ENTRY_TYPES.items() if "asset" in row.about or row.about == "rebuild"]
)
def test_nothing_is_recorded_of_an_asset_that_is_not_registered(type_):
    row = ENTRY_TYPES[type_]
    if row.scope is None or type_ == "asset.registered":
        return
    body = entry(type_, "09:00", LEAST[type_], **{**about(row.about), "asset": "AIR9"})
    assert desk().refusal(body) == [("/asset", "unknown_asset")]


def test_a_rebuild_goes_by_a_procedure_and_revision_that_are_published():
    opening = {"procedure": "BR-3", "revision": 1, "reason": "fault"}
    assert desk().refusal(entry("rebuild.opened", "08:00", {**opening, "procedure": "BR-4"}, **HERE)) == [
        ("/data/procedure", "unknown_procedure")
    ]
    assert desk().refusal(entry("rebuild.opened", "08:00", {**opening, "revision": 2}, **HERE)) == [
        ("/data/revision", "unknown_revision")
    ]


def test_the_revisions_there_are_get_named():
    two = entry("procedure.published", "09:00", {**PROCEDURE, "revision": 2})
    opening = entry("rebuild.opened", "08:00", {"procedure": "BR-3", "revision": 3, "reason": "fault"}, **HERE)
    with pytest.raises(NotAFact, match="revisions 1, 2"):
        desk(two).take(opening)


@pytest.mark.parametrize(("parent", "code"), [("AIR9", "unknown_asset"), ("AIR1-LB", "circle"), ("AIR1", "circle")])
def test_an_asset_hangs_below_one_that_is_registered_and_never_below_itself(parent, code):
    amended = entry("asset.amended", "09:00", {"patch": {"parent": parent}}, asset="AIR1")
    assert desk().refusal(amended) == [("/data/patch/parent", code)]


def test_a_new_asset_cannot_hang_below_itself_or_below_nothing():
    new = {"kind": "regulator", "gas": "medical_air"}
    for parent, code in (("AIR7", "circle"), ("AIR8", "unknown_asset")):
        body = entry("asset.registered", "09:00", {**new, "parent": parent}, asset="AIR7")
        assert desk().refusal(body) == [("/data/parent", code)]


# Recorded however bad it looks


LOOKS_BAD = {
    "a part the procedure does not know": entry("part.fitted", "09:03", {"part": "left shoe", "new": True}, **HERE),
    "a joint the procedure does not know": entry(
        "torque.applied", "09:03", {"joint": "gate hinge", "torque": q("9 N.m")}, **HERE
    ),
    "twice the torque": entry("torque.applied", "09:03", {"joint": "bonnet", "torque": q("120 N.m")}, **HERE),
    "a wrench nobody registered": entry(
        "torque.applied", "09:03", {"joint": "bonnet", "torque": q("60 N.m"), "instrument": "TW-99"}, **HERE
    ),
    "a dropped wrench that nobody registered": entry(
        "instrument.event", "09:03", {"instrument": "TW-99", "event": "dropped"}
    ),
    "a certificate before its instrument": entry(
        "instrument.calibrated", "09:03", {"instrument": "TW-99", "on": "2026-07-01"}
    ),
    "a pressure where there should be none": entry(
        "pressure.read", "09:03", {"point": "dome", "phase": "isolated", "pressure": q("640 kPa")}, **HERE
    ),
    "a point nobody named": entry(
        "pressure.read", "09:03", {"point": "attic", "phase": "isolated", "pressure": q("0 kPa")}, **HERE
    ),
    "a kit from elsewhere": entry(
        "rebuild.opened", "08:00", {"procedure": "BR-3", "revision": 1, "reason": "fault", "kit": "K9"}, **HERE
    ),
    "a procedure that does not apply": entry(
        "rebuild.opened",
        "08:00",
        {"procedure": "BR-3", "revision": 1, "reason": "fault"},
        asset="AIR1",
        rebuild=REBUILD,
    ),
    "a fact before anything was opened": entry(
        "part.removed", "09:03", {"part": "seat"}, asset="AIR1-LB", rebuild=OTHER
    ),
    "a closing before the opening": entry(
        "rebuild.closed", "09:03", LEAST["rebuild.closed"], asset="AIR1-LB", rebuild=OTHER
    ),
    "a signature on nothing yet": {**countersigned(), **HERE},
    "a correction of what has not arrived": corrected(NOWHERE, withdrawn=True),
    "a correction of a type it could not fit": corrected(NOWHERE, data={"anything": "at all"}),
    "an exchange of a serial nobody knew": entry(
        "asset.exchanged", "09:03", {"serial_out": "S-1", "serial_in": "S-2"}, asset="AIR1-LB"
    ),
    "a meter that runs backwards": entry("meter.read", "09:03", {"meter": "changeovers", "reading": "0"}, asset="AIR1"),
    "something of long ago": entry("part.removed", "09:03", {"part": "seat"}, day="1971-01-01", **HERE),
    "a service by a procedure that is not published": entry(
        "asset.amended", "09:03", {"patch": {"service": [{"procedure": "BR-9", "every": "P1Y"}]}}, asset="AIR1"
    ),
}


@pytest.mark.parametrize("body", LOOKS_BAD.values(), ids=LOOKS_BAD)
def test_recorded_however_bad_it_looks(body):
    (taken,) = desk().take(body)
    assert taken.repeats is None


def test_work_on_a_retired_asset_is_a_fact_too():
    retired = entry("asset.retired", "07:00", {"reason": "manifold replaced"}, asset="AIR1-LB")
    assert len(desk(retired).take(WHOLE)) == len(WHOLE)


# The future


SPANS = st.timedeltas(timedelta(days=-900), timedelta(days=900))


@settings(max_examples=60)
@given(SPANS)
def test_what_happened_is_not_more_than_five_minutes_ahead_of_the_servers_clock(span):
    body = {**entry("note.added", "09:00", {"text": "ok"}, **HERE), "occurred_at": (NOW + span).isoformat()}
    if span <= SKEW:
        assert desk().take(body)
    else:
        assert desk().refusal(body) == [("/occurred_at", "in_the_future")]


def test_five_minutes_to_the_second_are_taken_and_one_more_is_not():
    note = entry("note.added", "09:00", {"text": "ok"}, **HERE)
    assert desk().take({**note, "occurred_at": ahead(minutes=5)})
    assert desk().refusal([{**note, "occurred_at": ahead(minutes=5, seconds=1)}]) == [
        ("/0/occurred_at", "in_the_future")
    ]


def test_no_reading_inside_a_leak_test_lies_ahead():
    readings = [{"at": at, "pressure": q("400 kPa")} for at in (ahead(hours=-1), ahead(minutes=6), ahead(hours=1))]
    test = entry("leak.tested", "09:00", {"method": "decay", "section": "outlet", "readings": readings}, **HERE)
    assert desk().refusal([entry("step.done", "09:00", {"step": 1}, **HERE), test]) == [
        ("/1/data/readings/1/at", "in_the_future"),
        ("/1/data/readings/2/at", "in_the_future"),
    ]


@pytest.mark.parametrize(("on", "taken"), [("2026-07-20", True), ("2026-07-21", True), ("2026-07-22", False)])
def test_a_certificate_is_not_dated_ahead_though_it_may_be_tomorrow_somewhere(on, taken):
    body = entry("instrument.calibrated", "09:00", {"instrument": "TW-5", "on": on})
    if taken:
        assert desk().take(body)
    else:
        assert desk().refusal(body) == [("/data/on", "in_the_future")]


def test_a_date_that_may_lie_ahead_does():
    next_year = {"patch": {"commissioned_on": "2027-01-01"}}
    assert desk().take(entry("asset.amended", "09:00", next_year, asset="AIR1"))
    certificate = {"instrument": "TW-5", "on": "2026-07-01", "valid_until": "2027-07-01"}
    assert desk().take(entry("instrument.calibrated", "09:00", certificate))


def test_a_correction_moves_nothing_into_the_future():
    assert desk(WHOLE).refusal(corrected(SEAT["id"], occurred_at=ahead(minutes=6))) == [
        ("/data/replacement/occurred_at", "in_the_future")
    ]
    readings = [{"at": ahead(minutes=6), "pressure": q("400 kPa")}]
    leak = {"method": "decay", "section": "outlet", "readings": [{**readings[0], "at": ahead(hours=-1)}]}
    recorded = {**entry("leak.tested", "09:00", leak, **HERE), "id": OTHER}
    assert desk(recorded).refusal(corrected(OTHER, data={**leak, "readings": readings})) == [
        ("/data/replacement/data/readings/0/at", "in_the_future")
    ]


def test_a_correction_of_what_has_not_arrived_moves_nothing_into_the_future_either():
    assert desk().refusal(corrected(NOWHERE, occurred_at=ahead(minutes=6))) == [
        ("/data/replacement/occurred_at", "in_the_future")
    ]


def test_a_correction_does_not_date_a_certificate_ahead():
    certificate = {"instrument": "TW-5", "on": "2026-07-01"}
    recorded = {**entry("instrument.calibrated", "09:00", certificate), "id": OTHER}
    assert desk(recorded).refusal(corrected(OTHER, data={**certificate, "on": "2026-08-01"})) == [
        ("/data/replacement/data/on", "in_the_future")
    ]


# Opened once, closed once


def test_a_rebuild_is_opened_once():
    again = {**OPENING, "id": OTHER, "occurred_at": f"{DAY}T07:00:00-03:00"}
    assert desk(WHOLE).refusal(again, Contradiction) == [("/rebuild", "already_open")]


def test_a_rebuild_is_closed_once_even_if_the_other_closing_is_earlier():
    again = {**CLOSING, "id": OTHER, "occurred_at": f"{DAY}T09:00:00-03:00"}
    assert desk(WHOLE).refusal(again, Contradiction) == [("/rebuild", "already_closed")]


@pytest.mark.parametrize("again", [CLOSING, find(WHOLE, "step.done")])
def test_the_time_of_the_closing_is_told_as_it_was_written(again):
    with pytest.raises(Refusal) as refused:
        desk(WHOLE).take({**again, "id": OTHER, "occurred_at": f"{DAY}T19:00:00-03:00"})
    assert f"closed at {CLOSING['occurred_at']}" in refused.value.detail
    moved = corrected(CLOSING["id"], "11:30", occurred_at=f"{DAY}T14:05:00Z")
    with pytest.raises(Refusal) as refused:
        desk(WHOLE, moved).take({**again, "id": OTHER, "occurred_at": f"{DAY}T19:00:00-03:00"})
    assert f"closed at {DAY}T14:05:00Z" in refused.value.detail


def test_two_openings_in_one_list_are_one_too_many():
    again = {**OPENING, "id": OTHER}
    assert desk().refusal([OPENING, again], Contradiction) == [("/1/rebuild", "already_open")]


def test_an_opening_or_a_closing_that_was_withdrawn_makes_room_for_another():
    for mistaken in (OPENING, CLOSING):
        here = desk(UNSIGNED, corrected(mistaken["id"], withdrawn=True))
        assert here.take({**mistaken, "id": OTHER})


def test_the_opening_may_come_after_the_closing_has_arrived():
    assert desk(CLOSING).take(OPENING)


# After closing


AFTER = "11:30"
ALLOWED = ["note.added", "notice.given", "rebuild.countersigned", "finding.accepted", "entry.corrected"]
FACTS = [name for name, row in ENTRY_TYPES.items() if row.about in {"rebuild", "asset, rebuild if any"} and row.scope]
WORK = sorted(set(FACTS) - set(ALLOWED) - {"rebuild.opened", "rebuild.closed"})


@pytest.mark.parametrize("type_", ALLOWED)
def test_after_the_closing_these_still_come(type_):
    data = LEAST[type_] | ({"entry": SEAT["id"]} if type_ == "entry.corrected" else {})
    assert desk(WHOLE).take(entry(type_, AFTER, data, **HERE))


@pytest.mark.parametrize("type_", WORK)
def test_after_the_closing_no_work_is_done(type_):
    body = entry(type_, AFTER, LEAST[type_], **HERE)
    assert desk(WHOLE).refusal(body, Contradiction) == [("/occurred_at", "after_closing")]


@pytest.mark.parametrize("type_", WORK)
def test_a_late_fact_of_before_the_closing_is_taken(type_):
    assert desk(WHOLE).take(entry(type_, "09:59", LEAST[type_], **HERE))


def test_what_happened_at_the_very_time_of_the_closing_is_taken():
    assert desk(WHOLE).take(entry("step.done", "10:00", {"step": 2}, **HERE))


def test_the_closing_as_corrected_decides():
    step = entry("step.done", "10:20", {"step": 2}, **HERE)
    later = corrected(CLOSING["id"], occurred_at=f"{DAY}T10:25:00-03:00")
    withdrawn = corrected(CLOSING["id"], withdrawn=True)
    assert desk(WHOLE).refusal(step, Contradiction) == [("/occurred_at", "after_closing")]
    assert desk(WHOLE, later).take(step)
    assert desk(WHOLE).take([later, step])
    assert desk(WHOLE, withdrawn).take(step)
    assert desk(WHOLE).take([withdrawn, {**CLOSING, "id": OTHER, "occurred_at": f"{DAY}T10:30:00-03:00"}, step])


def test_a_correction_that_arrived_before_its_closing_decides_too():
    step = entry("step.done", "10:20", {"step": 2}, **HERE)
    later = corrected(CLOSING["id"], occurred_at=f"{DAY}T10:25:00-03:00")
    assert desk(later, CLOSING).take(step)
    assert desk().take([later, CLOSING, step])


def test_another_rebuild_of_the_asset_is_not_closed_with_it():
    assert desk(WHOLE).take({**entry("part.removed", AFTER, {"part": "seat"}), "asset": "AIR1-LB", "rebuild": OTHER})


# Corrections


def test_what_stands_for_good_cannot_be_corrected():
    procedure = {**entry("procedure.published", "09:00", {**PROCEDURE, "revision": 2}), "id": OTHER}
    assert desk(procedure).refusal(corrected(OTHER, data=PROCEDURE)) == [("/data/entry", "cannot_be_corrected")]
    first = {**corrected(SEAT["id"], withdrawn=True), "id": OTHER}
    assert desk(WHOLE, first).refusal(corrected(OTHER, withdrawn=True)) == [("/data/entry", "cannot_be_corrected")]


def test_a_registration_is_amended_but_never_withdrawn():
    registered = {**entry("asset.registered", "09:00", LEAST["asset.registered"], asset="AIR2"), "id": OTHER}
    assert desk(registered).refusal(corrected(OTHER, withdrawn=True)) == [("/data/entry", "cannot_be_corrected")]
    assert desk(registered).take(corrected(OTHER, data={"kind": "manifold", "gas": "nitrogen"}))


def test_a_change_of_the_facility_is_never_withdrawn():
    amended = {**entry("facility.amended", "09:00", {"name": "Ferrow Point"}), "id": OTHER}
    assert desk(amended).refusal(corrected(OTHER, withdrawn=True)) == [("/data/entry", "cannot_be_corrected")]


@pytest.mark.parametrize(("member", "value"), [("asset", "AIR1"), ("rebuild", OTHER)])
@pytest.mark.parametrize("way", [{"data": {"part": "seat", "new": False}}, {"by": "otto"}, {"withdrawn": True}])
def test_a_correction_is_about_what_its_target_is_about(member, value, way):
    body = {**corrected(SEAT["id"], **way), **HERE, member: value}
    assert ("/" + member, "not_as_target") in desk(WHOLE).refusal(body)
    assert desk(WHOLE).take({**corrected(SEAT["id"], **way), **HERE})


def test_what_replaces_an_entry_fits_its_type():
    wrong = {"part": "seat", "new": "yes", "torque": q("5 N.m")}
    assert sorted(desk(WHOLE).refusal([corrected(SEAT["id"], data=wrong)])) == [
        ("/0/data/replacement/data/new", "wrong_type"),
        ("/0/data/replacement/data/torque", "unknown_member"),
    ]


def test_a_correction_names_a_procedure_that_is_published():
    opening = {**OPENING["data"], "procedure": "BR-4"}
    assert desk(WHOLE).refusal(corrected(OPENING["id"], data=opening)) == [
        ("/data/replacement/data/procedure", "unknown_procedure")
    ]
    assert desk(WHOLE).refusal(corrected(OPENING["id"], data={**opening, "procedure": "BR-3", "revision": 7})) == [
        ("/data/replacement/data/revision", "unknown_revision")
    ]


def test_a_corrected_registration_hangs_below_what_is_registered_and_not_below_itself():
    registered = {**entry("asset.registered", "09:00", MANIFOLD_2, asset="AIR2"), "id": OTHER}
    below = entry("asset.registered", "09:01", {**MANIFOLD_2, "parent": "AIR2"}, asset="AIR2-LB")
    for parent, code in (("AIR2-LB", "circle"), ("AIR9", "unknown_asset")):
        body = corrected(OTHER, data={**MANIFOLD_2, "parent": parent})
        assert desk(registered, below).refusal(body) == [("/data/replacement/data/parent", code)]


MANIFOLD_2 = {"kind": "manifold", "gas": "medical_air"}


@pytest.mark.parametrize("type_", ["instrument.registered", "instrument.calibrated", "instrument.event"])
def test_what_was_said_of_one_instrument_is_not_corrected_into_another(type_):
    recorded = {**entry(type_, "09:00", LEAST[type_]), "id": OTHER}
    other = {**LEAST[type_], "instrument": "TW-6"}
    assert desk(recorded).refusal(corrected(OTHER, data=other)) == [
        ("/data/replacement/data/instrument", "not_as_target")
    ]
    assert desk(recorded).take(corrected(OTHER, withdrawn=True))


def test_the_half_that_is_not_meant_may_be_null():
    withdrawn = {"entry": SEAT["id"], "reason": "slip", "withdrawn": True, "replacement": None}
    replaced = {"entry": SEAT["id"], "reason": "slip", "withdrawn": None, "replacement": {"by": "otto"}}
    assert desk(WHOLE).take(entry("entry.corrected", "11:00", withdrawn))
    assert desk(WHOLE).take(entry("entry.corrected", "11:00", replaced))


# Who may


@pytest.mark.parametrize("type_", LEAST)
def test_every_type_wants_its_scope_and_no_other_will_do(type_):
    row = ENTRY_TYPES[type_]
    body = {**entry(type_, "09:00", LEAST[type_]), **about(row.about), "id": OTHER}
    others = set(SCOPES) - {row.scope}
    here = desk(scopes=others)
    with pytest.raises(NotAllowed) as refused:
        here.take([body])
    assert refused.value.scope == row.scope
    assert [(fault.pointer, fault.code) for fault in refused.value.faults] == [("/0/type", "not_allowed")]


def test_a_correction_wants_the_scope_of_what_it_corrects_as_well():
    signature = {**countersigned(), **HERE, "id": OTHER}
    body = corrected(OTHER, by="ines")
    with pytest.raises(NotAllowed) as refused:
        desk(UNSIGNED, signature, scopes={"record"}).take(body)
    assert refused.value.scope == "countersign"
    with pytest.raises(NotAllowed) as refused:
        desk(UNSIGNED, signature, scopes={"countersign"}).take(body)
    assert refused.value.scope == "record"
    assert desk(UNSIGNED, signature, scopes={"record", "countersign"}).take(body)
    assert desk(UNSIGNED, signature, scopes={"record"}).take(corrected(SEAT["id"], by="otto"))


# Register and procedures


def test_a_tag_is_registered_once():
    again = entry("asset.registered", "10:00", REGULATOR, asset="AIR1-LB")
    assert desk().refusal(again, Contradiction) == [("/asset", "already_registered")]


def test_an_entry_is_about_the_tag_it_registers():
    body = entry("asset.registered", "10:00", {**MANIFOLD_2, "tag": "AIR3"}, asset="AIR2")
    assert desk().refusal(body) == [("/data/tag", "two_tags")]
    assert desk().take({**body, "asset": "AIR3"})


@pytest.mark.parametrize(
    ("patch", "where", "code"),
    [
        ({"tag": "AIR2"}, "/data/patch/tag", "tag_is_fixed"),
        ({"kind": None}, "/data/patch/kind", "missing"),
        ({"colour": "red"}, "/data/patch/colour", "unknown_member"),
        (
            {"delivered_pressure": {"flowing": {"low": {"unit": "N.m"}}}},
            "/data/patch/delivered_pressure/flowing/low/unit",
            "wrong_dimension",
        ),
        (
            {"delivered_pressure": {"flowing": {"low": q("700 kPa")}}},
            "/data/patch/delivered_pressure/flowing",
            "upside_down",
        ),
        ({"service": [{"procedure": "BR-3"}]}, "/data/patch/service/0", "no_interval"),
        ({"stem": 5}, "/data/patch/stem", "wrong_type"),
    ],
)
def test_a_patch_that_leaves_no_register_is_refused_where_it_hurts(patch, where, code):
    body = entry("asset.amended", "10:00", {"patch": patch}, asset="AIR1-LB")
    assert desk().refusal([body]) == [("/0" + where, code)]


def test_null_in_a_patch_takes_a_member_away():
    here = desk(entry("asset.amended", "10:00", {"patch": {"serial": None, "parent": None}}, asset="AIR1-LB"))
    assert here.known.assets["AIR1-LB"].register.serial is None
    assert here.take(entry("asset.amended", "10:00", {"patch": {"parent": "AIR1-LB"}}, asset="AIR1"))


@pytest.mark.parametrize("revision", [1, 3, 17])
def test_the_next_revision_is_the_last_and_one(revision):
    body = entry("procedure.published", "10:00", {**PROCEDURE, "revision": revision})
    assert desk().refusal(body, Contradiction) == [("/data/revision", "not_next_revision")]
    assert desk().take(entry("procedure.published", "10:00", {**PROCEDURE, "revision": 2}))


def test_the_first_revision_we_hear_of_may_have_any_number():
    assert desk().take(entry("procedure.published", "10:00", {**PROCEDURE, "code": "OLD-1", "revision": 12}))


# Sizes


def test_an_entry_of_more_than_65535_bytes_is_too_large_though_its_data_is_not():
    picture = {"sha256": "ab" * 32, "media_type": "image/jpeg", "name": "é" * 200}
    long_patch = entry("asset.amended", "10:00", {"patch": {"location": "x" * 200}}, asset="AIR1")
    body = corrected(NOWHERE, data={"text": "x" * 59_000})
    assert desk().take(long_patch)
    assert desk().take({**body, "attachments": [picture] * 8})
    assert desk().refusal([{**body, "attachments": [picture] * 20}], TooLarge) == [("/0", "too_large")]


# A list is taken whole or not at all


def test_one_bad_entry_keeps_a_whole_list_out_and_all_faults_are_told_together():
    body = [
        *UNSIGNED[:5],
        entry("part.removed", "09:00", {"part": "seat"}, asset="AIR9", rebuild=REBUILD),
        entry("asset.amended", "09:00", {"patch": {"gas": None}}, asset="AIR1"),
    ]
    assert desk().refusal(body) == [("/5/asset", "unknown_asset"), ("/6/data/patch/gas", "missing")]


def test_what_cannot_be_true_weighs_more_than_a_contradiction_and_both_are_told():
    body = [{**OPENING, "id": OTHER}, entry("part.removed", "09:00", {"part": "seat"}, asset="AIR9", rebuild=OTHER)]
    assert desk(WHOLE).refusal(body) == [("/1/asset", "unknown_asset"), ("/0/rebuild", "already_open")]


def test_an_asset_may_be_registered_and_used_in_one_list():
    new = [
        entry("asset.registered", "09:00", {**MANIFOLD_2, "parent": "AIR1"}, asset="AIR1-A"),
        entry("asset.registered", "09:00", {**MANIFOLD_2, "parent": "AIR1-A"}, asset="AIR1-B"),
        entry("asset.amended", "09:01", {"patch": {"location": "Yard"}}, asset="AIR1-B"),
        entry("meter.read", "09:02", LEAST["meter.read"], asset="AIR1-B"),
    ]
    assert len(desk().take(new)) == 4
    assert desk().refusal([new[1], new[0]]) == [("/0/data/parent", "unknown_asset")]


def test_a_procedure_may_be_published_and_a_rebuild_opened_by_it_in_one_list():
    two = entry("procedure.published", "07:00", {**PROCEDURE, "revision": 2})
    opening = entry("rebuild.opened", "08:00", {"procedure": "BR-3", "revision": 2, "reason": "fault"}, **HERE)
    assert len(desk().take([two, opening])) == 2
    assert desk().refusal([opening, two]) == [("/0/data/revision", "unknown_revision")]


def test_a_whole_history_can_be_one_list():
    everything = [*setting_up(), *({**HERE, "by": "ines", **one} for one in work()), {**countersigned(), **HERE}]
    assert len(Desk().take(everything)) == len(everything)


# Again


def test_what_was_admitted_before_is_found_again_and_not_decided_anew():
    here = desk(WHOLE)
    here.known.now = NOW - timedelta(days=3650)  # by which it would all be in the future
    assert [one.repeats is not None for one in here.take(WHOLE)] == [True] * len(WHOLE)


@pytest.mark.parametrize(
    "change",
    [
        {"by": "otto"},
        {"occurred_at": f"{DAY}T09:01:00-03:00"},
        {"v": 1},
        {"data": {"part": "seat", "new": True, "lot": "L-89"}},
    ],
)
def test_an_id_with_other_content_is_taken_already(change):
    assert desk(WHOLE).refusal([{**SEAT, **change}], Contradiction) == [("/0/id", "id_taken")]


def test_one_id_twice_in_a_list_is_one_entry_or_a_contradiction():
    once, again = desk().take([SEAT, SEAT])
    assert (once.repeats, again.repeats is None) == (None, False)
    assert desk().refusal([SEAT, {**SEAT, "by": "otto"}], Contradiction) == [("/1/id", "id_taken")]
