"""Lines cut from whatever pieces the wire gives: the same lines wherever the pieces end, and none kept that is too long."""

from __future__ import annotations

import json
import tracemalloc
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.entries.envelope import Draft
from service.entries.lines import MOST_LINE_BYTES, Lines, read_line
from service.entries.refusals import NotAFact, Refusal, TooLarge, Unreadable

READING = {"type": "meter.read", "occurred_at": "2026-03-11T12:00:00Z", "asset": "OX2"}
LINE = json.dumps({**READING, "data": {"meter": "hours", "reading": "12.0"}}).encode()


def cut(*pieces: bytes) -> list[tuple[int, bytes | None]]:
    lines = Lines()
    return [*(tuple(line) for piece in pieces for line in lines.cut(piece)), *(tuple(line) for line in lines.end())]


@pytest.mark.parametrize(
    ("body", "found"),
    [
        (b"", []),
        (b"a\nb\n", [(1, b"a"), (2, b"b")]),
        (b"a\nb", [(1, b"a"), (2, b"b")]),
        (b"a\r\nb\r\n", [(1, b"a"), (2, b"b")]),
        (b"a\n\n  \n\r\nb", [(1, b"a"), (5, b"b")]),
        (b"\n", []),
        (b" a \n", [(1, b"a")]),
        ("°\n\u2028b".encode(), [(1, "°".encode()), (2, "\u2028b".encode())]),
    ],
)
def test_a_line_ends_with_a_line_feed_or_the_body_and_empty_ones_are_counted_but_passed_over(body, found) -> None:
    assert cut(body) == found


@given(st.lists(st.sampled_from([b"a", b"\n", b"\r\n", b" ", "é".encode(), b'{"x":1}'])), st.lists(st.integers(0, 60)))
def test_where_the_pieces_end_changes_no_line(parts: list[bytes], places: list[int]) -> None:
    body = b"".join(parts)
    edges = sorted({0, len(body), *(place for place in places if place < len(body))})
    pieces = [body[start:end] for start, end in pairwise(edges)]
    assert cut(*pieces) == cut(body)


@pytest.mark.parametrize("piece", [1_000, 65_536, 2 * MOST_LINE_BYTES])
def test_a_line_that_no_entry_can_be_is_not_kept_and_the_next_one_is_read(piece: int) -> None:
    body = b"a\n" + b"x" * (MOST_LINE_BYTES + 1) + b"\n" + b"y" * MOST_LINE_BYTES + b"\r\nb"
    pieces = [body[start : start + piece] for start in range(0, len(body), piece)]
    assert cut(*pieces) == [(1, b"a"), (2, None), (3, b"y" * MOST_LINE_BYTES), (4, b"b")]


def test_a_line_without_an_end_takes_no_memory() -> None:
    lines, piece = Lines(), b"x" * 100_000
    tracemalloc.start()
    try:
        for _ in range(500):
            assert list(lines.cut(piece)) == []
        held = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert held < 3 * MOST_LINE_BYTES
    assert [line.text for line in lines.end()] == [None]


def refusal(text: bytes | None) -> tuple[type[Refusal], list[tuple[str, str]]]:
    read: Any = read_line(text)
    assert isinstance(read, Refusal)
    return type(read), [(fault.pointer, fault.code) for fault in read.faults]


def test_an_entry_is_read_as_it_would_be_in_a_body_of_its_own() -> None:
    read = read_line(LINE)
    assert isinstance(read, Draft)
    assert read.place == ""


@pytest.mark.parametrize(
    ("text", "kind", "faults"),
    [
        (b"{", Unreadable, [("", "not_json")]),
        (b"{} {}", Unreadable, [("", "not_json")]),
        (b'"\xff"', Unreadable, [("", "not_utf8")]),
        (b"\xef\xbb\xbf" + LINE, Unreadable, [("", "not_json")]),
        (LINE.decode().encode("utf-16")[:40], Unreadable, [("", "not_utf8")]),
        (b'{"v": NaN}', Unreadable, [("/v", "not_a_number")]),
        (b'{"v": 1, "v": 1}', Unreadable, [("/v", "duplicate_key")]),
        (b"[]", NotAFact, [("", "wrong_type")]),
        (b"7", NotAFact, [("", "wrong_type")]),
        (
            b'{"entries": []}',
            NotAFact,
            [("/type", "missing"), ("/occurred_at", "missing"), ("/entries", "unknown_member")],
        ),
        (None, TooLarge, [("", "too_large")]),
    ],
)
def test_what_is_no_entry_is_told_with_a_pointer_into_the_line(text, kind, faults) -> None:
    assert refusal(text) == (kind, faults)
