"""Bodies are read strictly: what JSON allows but a ledger cannot keep is refused, with a pointer to it."""

from __future__ import annotations

import json
from contextlib import suppress
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.entries.reading import read_json
from service.entries.refusals import MOST_FAULTS, Unreadable

SURROGATES = {"\\ud800", "\\udbff", "\\udc00", "\\udfff"}


def faults(body: bytes) -> list[tuple[str, str]]:
    with pytest.raises(Unreadable) as refused:
        read_json(body)
    assert all(fault.detail for fault in refused.value.faults)
    return [(fault.pointer, fault.code) for fault in refused.value.faults]


@pytest.mark.parametrize(
    ("body", "where"),
    [
        (b'{"joint": "seat", "joint": "dome"}', "/joint"),
        (b'{"joint": "seat", "joint": "seat"}', "/joint"),
        (b'[{}, {"data": {"lot": "A", "lot": "B"}}]', "/1/data/lot"),
        (b'{"a/b~c": 1, "a/b~c": 2}', "/a~1b~0c"),
        (b'{"lot": 1, "l\\u006ft": 2}', "/lot"),
    ],
)
def test_a_member_that_stands_twice_is_refused_even_where_both_say_the_same(body, where):
    assert faults(body) == [(where, "duplicate_key")]


@pytest.mark.parametrize("number", [b"NaN", b"Infinity", b"-Infinity"])
def test_nan_and_infinity_are_no_readings(number):
    assert faults(b'{"entries": [{"data": {"torque": {"value": %s}}}]}' % number) == [
        ("/entries/0/data/torque/value", "not_a_number")
    ]


@pytest.mark.parametrize("half", sorted(SURROGATES))
def test_half_a_surrogate_pair_is_no_text_neither_as_a_value_nor_as_a_key(half):
    assert faults(f'{{"data": {{"text": "worn {half} seat"}}}}'.encode()) == [("/data/text", "lone_surrogate")]
    assert faults(f'{{"data": {{"{half}": 1}}}}'.encode()) == [("/data", "lone_surrogate")]


def test_a_whole_surrogate_pair_is_one_character():
    assert read_json(rb'{"text": "\ud83d\udd27"}') == {"text": "\N{WRENCH}"}


@pytest.mark.parametrize(
    "body", [b"\xff{}", b'{"text": "\xc3"}', b'{"text": "\xed\xa0\x80"}', '{"a": 1}'.encode("utf-16")]
)
def test_what_is_not_utf_8_is_refused_and_the_byte_is_named(body):
    with pytest.raises(Unreadable, match="not UTF-8 at byte"):
        read_json(body)


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b" ",
        b"\xef\xbb\xbf{}",
        b'{"entries": [',
        b'{"data": {"joint": "sea',
        b'{"turns": 01}',
        b'{"turns": +1}',
        b'{"turns": .5}',
        b'{"turns": 1.}',
        b"{'turns': 1}",
        b'{"turns": 1,}',
        b'{"turns": 1} {"turns": 2}',
        b'{"turns": nan}',
        b'{"text": "a\x00b"}',
        b'{"text": "two\nlines"}',
        b'{"text": "\\x"}',
        b'{/* a note */ "turns": 1}',
    ],
)
def test_what_is_not_json_is_refused_as_a_whole(body):
    assert faults(body) == [("", "not_json")]


@given(st.integers(0, len(b'{"entries": [{"data": {"value": 36.0, "says": "ok"}}]}') - 1))
def test_a_body_cut_short_anywhere_is_refused(length):
    whole = b'{"entries": [{"data": {"value": 36.0, "says": "ok"}}]}'
    assert faults(whole[:length]) == [("", "not_json")]


@pytest.mark.parametrize(("opens", "closes"), [(b"[", b"]"), (b'{"a":', b"}")])
@pytest.mark.parametrize("levels", [250, 990, 1_000, 100_000])
def test_a_body_nested_without_end_is_refused_and_takes_nothing_down(opens, closes, levels):
    assert faults(opens * levels + b"1" + closes * levels) == [("", "not_json")]


def test_all_that_is_wrong_is_told_at_once():
    assert faults(b'{"a": NaN, "b": {"c": 1, "c": 2}, "d": ["\\ud800"]}') == [
        ("/a", "not_a_number"),
        ("/b/c", "duplicate_key"),
        ("/d/0", "lone_surrogate"),
    ]


@given(st.decimals(allow_nan=False, allow_infinity=False, places=3, min_value=-(10**9), max_value=10**9))
def test_digits_arrive_as_they_were_sent(number):
    assert str(read_json(f'{{"value": {number}}}'.encode())["value"]) == str(number)


@pytest.mark.parametrize(
    "digits", ["36.0", "36.000", "0.10", "-0.0", "1e3", "1E-2", "1e999", "0.1000000000000000055511151231"]
)
def test_no_number_with_a_fraction_passes_through_a_float(digits):
    assert str(read_json(digits.encode())) == digits


VALUES = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**53), 2**53) | st.text(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(), inner, max_size=4),
    max_leaves=12,
)


@given(VALUES)
def test_whatever_is_json_and_can_be_kept_comes_through_unchanged(value):
    assert read_json(json.dumps(value).encode()) == value
    assert read_json(json.dumps(value, ensure_ascii=False).encode()) == value


@given(st.binary(max_size=40))
def test_no_body_whatever_fails_otherwise_than_by_a_refusal(body):
    with suppress(Unreadable):
        read_json(body)


def test_an_exact_number_is_not_rounded_on_the_way():
    assert Decimal(str(read_json(b"0.123456789012345678"))) == Decimal("0.123456789012345678")


# Bodies made to be slow, or to break the telling


@pytest.mark.parametrize("half", sorted(SURROGATES))
def test_a_member_that_stands_twice_and_is_no_text_is_told_without_being_named(half):
    assert faults(f'{{"data": {{"{half}": 1, "{half}": 2}}}}'.encode()) == [("/data", "lone_surrogate")]


@pytest.mark.parametrize("opening", [b"[", b'{"a": '])
def test_however_deep_the_trouble_lies_it_is_a_refusal(opening):
    closing = b"]" if opening == b"[" else b"}"
    for depth in range(900, 1010):
        with pytest.raises(Unreadable):
            read_json(opening * depth + b"NaN" + closing * depth)


def test_a_refusal_names_a_hundred_faults_and_looks_for_no_more():
    assert len(faults(b"[" + b",".join([b"NaN"] * 5_000) + b"]")) == MOST_FAULTS


def test_of_a_hundred_thousand_members_the_one_that_stands_twice_is_found_by_reading_them_once():
    names = [f"k{number}" for number in range(100_000)]  # counting each name among all would take hours
    body = "{" + ",".join(f'"{name}":1' for name in [*names, names[-1]]) + "}"
    assert faults(body.encode()) == [("/k99999", "duplicate_key")]
