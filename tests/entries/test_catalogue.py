"""Every entry type of the catalogue: the least it can say is taken, and what it does not know is refused."""

from __future__ import annotations

import pytest

from service.entries.catalogue import ENTRY_TYPES, SCOPES
from service.entries.envelope import Draft, read_envelope
from tests.entries.minimal import ALSO, FAULTY, LEAST, about

FROM_CLIENTS = [name for name, row in ENTRY_TYPES.items() if row.scope]
FROM_THE_SERVER = [name for name, row in ENTRY_TYPES.items() if not row.scope]
FACTS_OF_A_REBUILD = [name for name, row in ENTRY_TYPES.items() if row.about == "rebuild" and row.scope]


def read(type_, data, **envelope):
    whole = {"type": type_, "occurred_at": "2026-07-14T09:00:00-03:00", **about(ENTRY_TYPES[type_].about), "data": data}
    return read_envelope({name: value for name, value in {**whole, **envelope}.items() if value is not None})


def faults(type_, data, **envelope):
    read_so_far = read(type_, data, **envelope)
    assert isinstance(read_so_far, list), "nothing was found wrong"
    assert all(fault.detail for fault in read_so_far)
    return [(fault.pointer, fault.code) for fault in read_so_far]


def test_the_examples_below_are_of_every_type_there_is():
    assert set(LEAST) == set(FROM_CLIENTS)


@pytest.mark.parametrize("type_", FROM_CLIENTS)
def test_the_least_an_entry_can_say_is_taken(type_):
    draft = read(type_, LEAST[type_])
    assert isinstance(draft, Draft)
    assert draft.sent["data"] == LEAST[type_]


@pytest.mark.parametrize(("type_", "data"), ALSO)
def test_other_ways_to_say_it_are_taken_too(type_, data):
    draft = read(type_, data)
    assert isinstance(draft, Draft)
    assert draft.sent["data"] == data


@pytest.mark.parametrize("type_", FROM_CLIENTS)
def test_a_member_that_a_type_does_not_know_is_refused(type_):
    assert faults(type_, {**LEAST[type_], "colour": "red"}) == [("/data/colour", "unknown_member")]


@pytest.mark.parametrize(
    ("type_", "member"),
    [
        (type_, member)
        for type_, data in LEAST.items()
        for member in data
        if type_ not in {"facility.amended", "entry.corrected"}
    ],
)
def test_nothing_of_the_least_can_be_left_out(type_, member):
    less = {name: value for name, value in LEAST[type_].items() if name != member}
    assert faults(type_, less) == [(f"/data/{member}", "missing")]


@pytest.mark.parametrize(("type_", "data", "where", "code"), FAULTY)
def test_a_slip_in_the_data_is_pointed_at(type_, data, where, code):
    assert faults(type_, data) == [(where, code)]


@pytest.mark.parametrize("type_", FROM_THE_SERVER)
def test_what_the_server_writes_nobody_else_can_send(type_):
    assert faults(type_, {}) == [("/type", "server_only")]


def test_the_server_writes_the_opening_of_a_facility_the_acceptance_of_a_backup_and_its_own_judgements():
    assert FROM_THE_SERVER == ["facility.opened", "ledger.restored", "rebuild.judged"]


@pytest.mark.parametrize("type_", FACTS_OF_A_REBUILD)
def test_a_fact_of_a_rebuild_names_its_asset_and_its_rebuild(type_):
    assert faults(type_, LEAST[type_], asset=None) == [("/asset", "missing")]
    assert faults(type_, LEAST[type_], rebuild=None) == [("/rebuild", "missing")]
    assert faults(type_, LEAST[type_], asset=None, rebuild=None) == [("/asset", "missing"), ("/rebuild", "missing")]


@pytest.mark.parametrize("type_", ["notice.given", "setting.adjusted", "function.tested"])
def test_some_things_happen_to_an_asset_in_or_outside_of_a_rebuild(type_):
    assert isinstance(read(type_, LEAST[type_]), Draft)
    assert isinstance(read(type_, LEAST[type_], rebuild="01981000-0000-7000-8000-0000000000aa"), Draft)
    assert faults(type_, LEAST[type_], asset=None) == [("/asset", "missing")]


@pytest.mark.parametrize("type_", [name for name, row in ENTRY_TYPES.items() if row.about == "asset"])
def test_what_is_about_an_asset_belongs_to_no_rebuild(type_):
    rebuild = "01981000-0000-7000-8000-0000000000aa"
    assert faults(type_, LEAST[type_], rebuild=rebuild) == [("/rebuild", "not_about_this")]


@pytest.mark.parametrize("type_", [name for name, row in ENTRY_TYPES.items() if row.about == "none" and row.scope])
def test_facility_procedures_and_instruments_are_not_about_an_asset(type_):
    assert faults(type_, LEAST[type_], asset="AIR1") == [("/asset", "not_about_this")]


def test_a_correction_may_say_what_its_target_is_about_or_leave_it_to_the_target():
    data = LEAST["entry.corrected"]
    assert isinstance(read("entry.corrected", data), Draft)
    assert isinstance(
        read("entry.corrected", data, asset="AIR1", rebuild="01981000-0000-7000-8000-0000000000aa"), Draft
    )


def test_every_type_wants_one_scope_and_none_of_them_is_the_reading_one():
    assert {ENTRY_TYPES[name].scope for name in FROM_CLIENTS} == set(SCOPES) - {"read"}


def test_after_the_closing_come_only_notices_notes_signatures_concessions_corrections_and_the_judgement():
    assert {name for name, row in ENTRY_TYPES.items() if row.after_closing} == {
        "notice.given",
        "note.added",
        "rebuild.countersigned",
        "finding.accepted",
        "entry.corrected",
        "rebuild.judged",
    }


def test_an_opening_a_procedure_a_correction_an_accepted_backup_and_a_judgement_stand_for_good():
    assert {name for name, row in ENTRY_TYPES.items() if not row.corrigible} == {
        "facility.opened",
        "procedure.published",
        "entry.corrected",
        "ledger.restored",
        "rebuild.judged",
    }


def test_an_unknown_type_is_refused_and_the_known_ones_are_named():
    (fault,) = read_envelope({"type": "seat.polished", "occurred_at": "2026-07-14T09:00:00Z", "data": {}})
    assert (fault.pointer, fault.code) == ("/type", "unknown_type")
    assert all(name in fault.detail for name in FROM_CLIENTS)
    assert not any(name in fault.detail for name in FROM_THE_SERVER)
