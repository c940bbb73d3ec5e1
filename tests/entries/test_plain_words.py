"""A refusal is told to whoever fills in the record: in plain words, with no term of a library or a programming language."""

import re

import pytest

from service.entries.catalogue import ENTRY_TYPES
from service.entries.envelope import Envelope, read_envelope
from service.entries.plain_words import code_and_words
from tests.entries.minimal import FAULTY

JARGON = re.compile(
    r"pattern|dictionary|instance|tuple|string|integer|boolean|validation|tag|discriminator|input|\\\\|\^",
    re.IGNORECASE,
)
HERE = {"asset": "AIR1-LB", "rebuild": "01981000-0000-7000-8000-0000000000aa"}
READ = {"type": "pressure.read", "occurred_at": "2026-07-14T09:00:00Z", **HERE}
DATA = {"point": "dome", "phase": "isolated", "pressure": {"value": "0.00", "unit": "bar"}}


def told(data=None, **envelope):
    found = read_envelope({**READ, "data": {**DATA, **(data or {})}, **envelope})
    assert isinstance(found, list)
    return [(fault.pointer, fault.detail) for fault in found]


def patterns(schema):
    if isinstance(schema, dict):
        if isinstance(pattern := schema.get("pattern"), str):
            yield pattern
        for member in schema.values():
            yield from patterns(member)
    elif isinstance(schema, list):
        for member in schema:
            yield from patterns(member)


def test_every_form_that_is_wanted_has_words():
    known = {
        one
        for model in (Envelope, *(row.data for row in ENTRY_TYPES.values()))
        for one in patterns(model.model_json_schema())
    }
    wanted = {
        one for one in known if not one.startswith((r"^-?\d", "^P"))
    }  # numbers and durations have words of their own
    assert wanted
    for pattern in wanted:
        code, words = code_and_words({"type": "string_pattern_mismatch", "ctx": {"pattern": pattern}, "msg": ""})
        assert (code, words.count("wanted")) == ("wrong_form", 1)
        assert words != "not of the form that is wanted here", pattern


@pytest.mark.parametrize(("type_", "data"), [(type_, data) for type_, data, _, _ in FAULTY])
def test_no_refusal_speaks_in_the_words_of_a_library(type_, data):
    found = read_envelope({"type": type_, "occurred_at": READ["occurred_at"], "data": data, **_about(type_)})
    assert not [fault.detail for fault in found if JARGON.search(fault.detail)]


def _about(type_):
    about = ENTRY_TYPES[type_].about
    return {} if about == "none" else HERE if about == "rebuild" else {"asset": HERE["asset"]}


@pytest.mark.parametrize(
    ("sent", "words"),
    [
        ({"pressure": "0 bar"}, "an object is wanted, with its members between braces"),
        ({"point": 1}, "text is wanted"),
        ({"point": ""}, "too short: 1 or more characters are wanted"),
        ({"vent_open": "x"}, "true or false is wanted"),
        ({"phase": "x"}, "one of these is wanted: 'as_found', 'isolated', 'during', 'restored' or 'as_left'"),
        ({"pressure": {"value": "1e400", "unit": "bar"}}, "more than 18 digits when written out"),
    ],
)
def test_what_is_wanted_is_said(sent, words):
    assert [detail for _, detail in told(sent)] == [words]


def test_the_envelope_is_told_as_plainly():
    assert told(rebuild="r1") == [("/rebuild", "a UUID is wanted, such as 01997c2a-0000-7000-8000-000000000001")]
    assert told(v=2) == [("/v", "1 at most")]
    list_of_one = read_envelope(
        {
            **READ,
            "type": "turns.counted",
            "data": {"direction": "out", "turns": {"value": "1", "unit": "turn"}, "agreed_by": ["ines"]},
        }
    )
    assert [fault.detail for fault in list_of_one] == ["2 at least are wanted, not 1"]


@pytest.mark.parametrize(
    ("time", "words"),
    [
        ("0000-01-01T00:00:00Z", "a year from 1900 to 9999 is wanted, at UTC too"),
        ("0001-01-01T00:00:00Z", "a year from 1900 on is wanted, at UTC too"),
        ("1899-01-01T00:00:00Z", "a year from 1900 on is wanted, at UTC too"),
        ("9999-12-31T23:59:59-10:00", "a year from 1900 to 9999 is wanted, at UTC too"),
        ("2025-02-30T00:00:00Z", "no such time"),
    ],
)
def test_a_year_out_of_range_is_told_as_one(time, words):
    assert told(occurred_at=time) == [("/occurred_at", words)]
