"""The envelope: what every entry carries, what cannot be kept, and the id of an entry that was sent without one."""

from __future__ import annotations

import json
import uuid
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.entries.envelope import (
    MOST_DATA_BYTES,
    MOST_LEVELS,
    Draft,
    derived_id,
    read_envelope,
    uuid8,
)
from service.entries.reading import read_json

NOTE = {
    "type": "note.added",
    "occurred_at": "2026-07-14T09:00:00-03:00",
    "asset": "AIR1-LB",
    "rebuild": "01981000-0000-7000-8000-0000000000aa",
    "data": {"text": "Seat land clean"},
}
TORQUE = {**NOTE, "type": "torque.applied", "data": {"joint": "bonnet", "torque": {"value": "30.0", "unit": "ft.lbf"}}}


def with_(whole, **members):
    return {name: value for name, value in {**whole, **members}.items() if value is not ...}


def faults(value, place=""):
    found = read_envelope(value, place)
    assert isinstance(found, list), "nothing was found wrong"
    return [(fault.pointer, fault.code) for fault in found]


def draft(value):
    read = read_envelope(value)
    assert isinstance(read, Draft), read
    return read


def torque(value, unit="ft.lbf"):
    """A torque as a script's JSON text has it."""
    body = json.dumps(TORQUE).replace('"30.0"', value).replace("ft.lbf", unit)
    return draft(read_json(body.encode()))


# Members


def test_what_is_wrong_a_million_times_over_is_counted_and_not_told():
    entry = with_(NOTE, data={"text": "x", **dict.fromkeys(map(str, range(2_000)), 1)})
    assert faults(entry) == [("/data", "too_many_faults")]


@pytest.mark.parametrize("value", [None, [], "note", 5, True])
def test_an_entry_is_a_json_object(value):
    assert faults(value, "/entries/3") == [("/entries/3", "wrong_type")]


@pytest.mark.parametrize("member", ["seq", "recorded_at", "facility", "credential", "author", "Data"])
def test_a_member_the_envelope_does_not_know_is_refused_among_them_those_the_server_adds(member):
    assert faults(with_(NOTE, **{member: "x"})) == [("/" + member, "unknown_member")]


def test_members_with_strange_names_are_pointed_at_as_rfc_6901_spells_them():
    assert faults(with_(NOTE, **{"a/b~c": 1})) == [("/a~1b~0c", "unknown_member")]


def test_all_that_is_wrong_with_an_envelope_is_told_at_once():
    wrong = with_(NOTE, occurred_at="yesterday", rebuild="the left one", by=7, colour="red")
    assert sorted(faults(wrong, "/entries/2")) == [
        ("/entries/2/by", "wrong_type"),
        ("/entries/2/colour", "unknown_member"),
        ("/entries/2/occurred_at", "not_a_time"),
        ("/entries/2/rebuild", "wrong_form"),
    ]


@pytest.mark.parametrize("member", ["type", "occurred_at"])
def test_type_and_time_are_wanted(member):
    assert faults(with_(NOTE, **{member: ...})) == [("/" + member, "missing")]


def test_data_left_out_says_nothing():
    assert faults(with_(NOTE, data=...)) == [("/data/text", "missing")]
    assert faults(with_(NOTE, data=None)) == [("/data", "wrong_type")]


@pytest.mark.parametrize(("v", "code"), [(2, "too_great"), (0, "too_small"), ("1", "wrong_type")])
def test_only_the_first_version_of_a_type_is_known_yet(v, code):
    assert draft(with_(NOTE, v=1)).envelope.v == draft(NOTE).envelope.v == 1
    assert faults(with_(NOTE, v=v)) == [("/v", code)]


@pytest.mark.parametrize("code", ["", " AIR1", "AIR1 ", "A/1", "A\\1", "..", "a\nb", "a\x7f", "x" * 65])
def test_a_code_that_could_not_stand_in_an_address_is_refused(code):
    assert [where for where, _ in faults(with_(NOTE, asset=code))] == ["/asset"]


@pytest.mark.parametrize("code", ["AIR1-LB", "Gas 4", "Ö-3", "左", "x" * 64, "a.b"])
def test_a_code_may_otherwise_be_any_name(code):
    assert draft(with_(NOTE, asset=code)).envelope.asset == code


def test_ids_are_the_same_in_either_case():
    upper = with_(NOTE, id="0198AAAA-0000-7000-8000-00000000000A", rebuild=NOTE["rebuild"].upper())
    assert draft(upper).sent["id"] == "0198aaaa-0000-7000-8000-00000000000a"
    assert draft(upper).sent["rebuild"] == NOTE["rebuild"]


def test_a_member_that_is_null_was_left_out():
    assert draft(with_(NOTE, by=None, id=None)).sent == draft(NOTE).sent


def test_an_attachment_is_named_by_the_hash_of_its_content():
    picture = {"sha256": "ab" * 32, "media_type": "image/jpeg", "name": "seat.jpg"}
    assert draft(with_(NOTE, attachments=[picture])).sent["attachments"] == [picture]
    assert faults(with_(NOTE, attachments=[{**picture, "sha256": "AB" * 32}])) == [
        ("/attachments/0/sha256", "wrong_form")
    ]
    assert faults(with_(NOTE, attachments=[picture] * 21)) == [("/attachments", "too_many")]


# Times


@pytest.mark.parametrize(
    "time",
    [
        "2026-07-14T09:00:00",
        "2026-07-14T09:00:00.5",
    ],
)
def test_a_time_without_an_offset_could_be_anywhere(time):
    assert faults(with_(NOTE, occurred_at=time)) == [("/occurred_at", "no_offset")]


@pytest.mark.parametrize(
    "time",
    [
        "2026-02-30T09:00:00Z",
        "2026-07-14T24:00:00Z",
        "2026-07-14T09:60:00Z",
        "2026-07-14T23:59:60Z",
        "2026-07-14T09:00:00+24:00",
        "2026-07-14T09:00:00+01:60",
        "2026-07-14 09:00:00Z",
        "2026-07-14",
        "20260714T090000Z",
        "2026-07-14T09:00Z",
        "2026-07-14T09:00:00 Z",
        "٢٠٢٦-07-14T09:00:00Z",
        "1899-12-31T23:59:59Z",
        "0000-01-01T00:00:00Z",
        "9999-12-31T23:59:59-01:00",
        1789,
    ],
)
def test_an_impossible_time_or_one_before_1900_is_refused(time):
    assert faults(with_(NOTE, occurred_at=time)) == [("/occurred_at", "not_a_time")]


def test_a_time_is_kept_as_written_and_understood_as_an_instant():
    for time in ("2026-07-14T09:00:00-03:00", "2026-07-14t12:00:00.000z", "2026-07-14T12:00:00-00:00"):
        read = draft(with_(NOTE, occurred_at=time))
        assert read.sent["occurred_at"] == time
        assert read.occurred_at.at == datetime(2026, 7, 14, 12, tzinfo=UTC)


def test_every_time_inside_an_entry_is_noted_with_its_place():
    reading = {"at": "2026-07-14T08:30:00-03:00", "pressure": {"value": "400", "unit": "kPa"}}
    test = with_(NOTE, type="leak.tested", data={"method": "decay", "section": "outlet", "readings": [reading] * 2})
    read = read_envelope(test, "/entries/7")
    assert [where for where, _ in read.moments] == [
        "/entries/7/occurred_at",
        "/entries/7/data/readings/0/at",
        "/entries/7/data/readings/1/at",
    ]


# What an entry can hold


def test_data_of_sixty_thousand_bytes_is_taken_and_a_byte_more_is_refused():
    room = MOST_DATA_BYTES - len('{"patch":{"a":""}}')
    amended = {"type": "asset.amended", "occurred_at": NOTE["occurred_at"], "asset": "AIR1"}
    draft({**amended, "data": {"patch": {"a": "x" * room}}})
    assert faults({**amended, "data": {"patch": {"a": "x" * (room + 1)}}}) == [("/data", "too_large")]
    assert faults({**amended, "data": {"patch": {"a": "é" * (room // 2 + 1)}}}) == [("/data", "too_large")]


def test_nul_is_refused_wherever_it_stands():
    amended = {"type": "asset.amended", "occurred_at": NOTE["occurred_at"], "asset": "AIR1"}
    assert faults({**amended, "data": {"patch": {"location": "yard\0"}}}) == [("/data/patch/location", "nul")]
    assert faults({**amended, "data": {"patch": {"loc\0": "yard"}}}) == [("/data/patch", "nul")]
    assert faults(with_(NOTE, asset="A\0")) == [("/asset", "not_a_code")]


def test_a_patch_nested_without_end_is_refused():
    def amended(levels):
        patch = {"a": 1}
        for _ in range(levels - 2):  # data itself is the first level, the patch the second
            patch = {"a": patch}
        return {"type": "asset.amended", "occurred_at": NOTE["occurred_at"], "asset": "AIR1", "data": {"patch": patch}}

    draft(amended(MOST_LEVELS))
    ((where, code),) = faults(amended(MOST_LEVELS + 1))
    assert (where.count("/"), code) == (MOST_LEVELS + 1, "too_deep")
    assert [code for _, code in faults(amended(190))] == ["too_deep"]


def test_whole_numbers_beyond_what_json_keeps_exactly_are_refused_in_what_is_quoted():
    amended = {"type": "asset.amended", "occurred_at": NOTE["occurred_at"], "asset": "AIR1"}
    assert draft({**amended, "data": {"patch": {"a": 2**53 - 1}}}).sent["data"]["patch"]["a"] == 2**53 - 1
    assert faults({**amended, "data": {"patch": {"a": 2**53}}}) == [("/data/patch/a", "too_many_digits")]


# Digits


def test_a_number_and_its_text_are_the_same_entry():
    assert torque("30.0").sent == torque('"30.0"').sent
    assert torque("30.0").sent["data"]["torque"] == {"value": "30.0", "unit": "ft.lbf"}
    assert derived_id("ferrow", torque("30.0").sent, 0) == derived_id("ferrow", torque('"30.0"').sent, 0)


@pytest.mark.parametrize(("one", "other"), [("36", "36.0"), ("36.0", "36.00"), ("0.5", "0.50")])
def test_digits_say_how_well_it_was_read_so_36_and_36_0_are_two_entries(one, other):
    assert torque(one).sent != torque(other).sent
    assert derived_id("ferrow", torque(one).sent, 0) != derived_id("ferrow", torque(other).sent, 0)


def test_an_exponent_is_written_out():
    assert torque("3e1").sent["data"]["torque"]["value"] == "30"
    assert torque("3.00E+1").sent["data"]["torque"]["value"] == "30.0"


def test_two_spellings_of_a_unit_stay_as_they_were_written():
    assert torque("30.0", "ft-lb").sent["data"]["torque"]["unit"] == "ft-lb"
    assert torque("30.0", "ft-lb").data.torque == torque("30.0", "ft-lb").data.torque
    assert derived_id("ferrow", torque("30.0", "ft-lb").sent, 0) != derived_id("ferrow", torque("30.0").sent, 0)


def test_numbers_in_a_quoted_patch_keep_their_digits_too():
    body = (
        b'{"type": "asset.amended", "occurred_at": "2026-07-14T09:00:00Z", "asset": "A", "data": {"patch": {"a": 1.5}}}'
    )
    assert draft(read_json(body)).sent["data"] == {"patch": {"a": "1.5"}}


# Ids that are left out


TEXTS = st.text(max_size=30).filter(lambda text: "\0" not in text)


@given(st.sampled_from(["ferrow", "skerry"]), st.dictionaries(TEXTS, TEXTS, max_size=4), st.integers(0, 50))
def test_a_derived_id_is_a_uuid_of_version_8_and_depends_on_nothing_else(facility, sent, ordinal):
    id_ = uuid.UUID(derived_id(facility, sent, ordinal))
    assert (id_.version, id_.variant) == (8, uuid.RFC_4122)
    backwards = dict(reversed(sent.items()))
    assert derived_id(facility, backwards, ordinal) == str(id_)


def test_facility_ordinal_and_every_member_make_another_id():
    sent = dict(draft(NOTE).sent)
    others = [
        derived_id("ferrow", sent, 0),
        derived_id("skerry", sent, 0),
        derived_id("ferrow", sent, 1),
        *(derived_id("ferrow", {**sent, member: "other"}, 0) for member in sent),
        derived_id("ferrow", {**sent, "by": "ines"}, 0),
    ]
    assert len(set(others)) == len(others)


@given(st.binary())
def test_version_and_variant_bits_hold_for_any_content(content):
    made = uuid.UUID(uuid8(content))
    assert (made.version, made.variant) == (8, uuid.RFC_4122)
