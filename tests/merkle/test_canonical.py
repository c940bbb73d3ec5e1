import enum
import hashlib
import json
import uuid
from datetime import UTC, datetime

import pytest
import rfc8785
from hypothesis import example, given, settings
from hypothesis import strategies as st

from service.merkle.canonical import MAX_DEPTH, canonical

# Characters that canonical forms get wrong: control characters with and without a short escape, DEL, quotes, the
# line separators of JavaScript, a byte order mark, the last before and the first after the surrogates, private use,
# and characters beyond U+FFFF, which UTF-16 sorts before U+E000.
NASTY = "\x00\x01\b\t\n\x0b\f\r\x1f \"'/\\\x7f\x80\xa0éß\u2028\u2029\ud7ff\ue000\ufb33\ufeff\ufffd\uffff😀𐀀\U0010ffff"

text = st.text(st.sampled_from(NASTY), max_size=4) | st.text(st.characters(exclude_categories=["Cs"]), max_size=8)
numbers = st.integers(min_value=-(2**53) + 1, max_value=2**53 - 1)
values = st.recursive(
    st.none() | st.booleans() | numbers | text,
    lambda inner: st.lists(inner, max_size=5) | st.dictionaries(text, inner, max_size=6),
    max_leaves=25,
)

# RFC 8785 section 3.2.2. Its numbers are floats, which the ledger does not hold.
SAMPLE_STRING = '€$\u000f\nA\'B"\\\\"/'
SAMPLE = {
    "numbers": [333333333.33333329, 1e30, 4.50, 2e-3, 0.000000000000000000000000001],
    "string": SAMPLE_STRING,
    "literals": [None, True, False],
}


class Stage(enum.StrEnum):
    FINAL = "final"


@settings(deadline=None, max_examples=300)
@given(values)
@example({"\ue000": 1, "😀": 2})
@example([{"a": {"\uffff": 1, "\U00010000": 2, "\ud7ff": 3}}])
def test_any_value_has_the_bytes_that_an_independent_library_gives_it(value):
    assert canonical(value) == rfc8785.dumps(value)


@settings(deadline=None, max_examples=200)
@given(st.dictionaries(text, numbers, min_size=2, max_size=12))
def test_the_order_in_which_members_were_written_does_not_matter(members):
    assert canonical(dict(reversed(members.items()))) == canonical(members)


@settings(deadline=None, max_examples=100)
@given(values)
def test_the_canonical_form_reads_back_as_the_same_value_and_keeps_its_form(value):
    spelled = canonical(value)
    assert json.loads(spelled) == value
    assert canonical(json.loads(spelled)) == spelled


@pytest.mark.parametrize("character", [chr(code) for code in range(0x20)])
def test_control_characters_are_escaped_in_their_shortest_form(character):
    short = {"\b": b"\\b", "\t": b"\\t", "\n": b"\\n", "\f": b"\\f", "\r": b"\\r"}
    assert canonical(character) == b'"' + short.get(character, b"\\u%04x" % ord(character)) + b'"'


@pytest.mark.parametrize("character", ["\x7f", "\x80", "/", "'", "\u2028", "\u2029", "\ufeff", "\uffff", "😀"])
def test_what_needs_no_escape_stands_as_it_is(character):
    assert canonical(character) == b'"' + character.encode() + b'"'


def test_text_is_not_normalised_because_that_would_alter_the_record():
    assert canonical("e\u0301") != canonical("é")


def test_keys_come_in_the_order_of_the_standards_own_sorting_example():
    # RFC 8785 section 3.2.3, with the order the section gives.
    names = {
        "\u20ac": "Euro Sign",
        "\r": "Carriage Return",
        "\ufb33": "Hebrew Letter Dalet With Dagesh",
        "1": "One",
        "\U0001f600": "Emoji: Grinning Face",
        "\u0080": "Control",
        "\u00f6": "Latin Small Letter O With Diaeresis",
    }
    assert list(json.loads(canonical(names)).values()) == [
        "Carriage Return",
        "One",
        "Control",
        "Latin Small Letter O With Diaeresis",
        "Euro Sign",
        "Emoji: Grinning Face",
        "Hebrew Letter Dalet With Dagesh",
    ]


def test_the_standards_sample_is_refused_for_its_floats_and_agrees_in_all_the_rest():
    published = "2d5e01a318d0f0879ab568c4be289c8b1f64ef8921a53c6277d5e069978baacb"
    oracle = rfc8785.dumps(SAMPLE)
    assert hashlib.sha256(oracle).hexdigest() == published
    with pytest.raises(TypeError):
        canonical(SAMPLE)
    ours = canonical({name: member for name, member in SAMPLE.items() if name != "numbers"})
    before, after = oracle.index(b'"numbers"'), oracle.index(b'"string"')
    assert ours == oracle[:before] + oracle[after:]


@pytest.mark.parametrize(
    "foreign",
    [
        30.0,
        0.0,
        float("nan"),
        float("inf"),
        b"bytes",
        ("a", "tuple"),
        {"a set"},
        Stage.FINAL,
        uuid.UUID(int=7),
        datetime(2026, 3, 2, tzinfo=UTC),
        {1: "a number as key"},
        {None: "nothing as key"},
        {Stage.FINAL: "an enum as key"},
    ],
    ids=repr,
)
def test_what_an_entry_may_not_hold_is_refused_however_deep_it_lies(foreign):
    for value in (foreign, [foreign], {"data": {"readings": [1, "text", [foreign]]}}):
        with pytest.raises(TypeError):
            canonical(value)


@pytest.mark.parametrize("number", [2**53, -(2**53), 2**63, 2**64, 10**30])
def test_a_number_that_other_readers_would_round_is_refused(number):
    for value in (number, [{"turns": number}], {"😀": number}):
        with pytest.raises(ValueError):
            canonical(value)


@pytest.mark.parametrize("number", [2**53 - 1, -(2**53) + 1, 0])
def test_the_greatest_numbers_everyone_reads_alike_are_taken(number):
    assert canonical(number) == str(number).encode()


@pytest.mark.parametrize("lone", [chr(0xD800), chr(0xDFFF), "a" + chr(0xDEAD), chr(0xDE00) + chr(0xD83D)])
def test_half_a_character_is_refused_in_values_and_in_keys(lone):
    for value in (lone, {lone: 1}, {"😀": [lone]}):
        with pytest.raises(ValueError):
            canonical(value)


def test_nesting_is_taken_to_the_limit_and_refused_beyond_it():
    nested = []
    for _ in range(MAX_DEPTH - 1):
        nested = [nested]
    assert canonical(nested) == b"[" * MAX_DEPTH + b"]" * MAX_DEPTH
    with pytest.raises(ValueError):
        canonical({"one more": nested})


def test_a_value_that_contains_itself_is_refused_rather_than_followed_for_ever():
    endless = {}
    endless["again"] = [endless, endless]
    with pytest.raises(ValueError):
        canonical(endless)


def test_the_value_is_left_as_it_was_even_where_its_keys_are_sorted_by_hand():
    value = {"\ue000": 1, "😀": {"b": 1, "a": 2}}
    canonical(value)
    assert list(value) == ["\ue000", "😀"]
    assert list(value["😀"]) == ["b", "a"]
