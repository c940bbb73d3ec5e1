"""Cure dates as the trade writes them on a bag of soft goods: a quarter of a year, and the day from which life counts.

``2Q2024``, ``2Q24``, ``Q2 2024``, ``2024Q2`` and ``2/24`` are quarters; ``06/2024``, ``2024-06``, ``June 2024`` months;
``2024-05-13``, ``13/05/2024`` days. Life counts from the last day of the quarter in which it was cured. A year of two
digits is the latest that is not after the day of fitting. A code that can be read in two ways (``03/04/2024``: 3 April
or 4 March; ``2/2024``: second quarter or February) is read as the earlier. Common practice, no published source.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import date
from functools import lru_cache
from typing import NamedTuple

_YEAR = r"(\d{4}|\d{2})"
_QUARTER = re.compile(rf"([1-4])\s*Q\s*[-/]?\s*{_YEAR}|Q\s*([1-4])\s*[-/]?\s*{_YEAR}|{_YEAR}\s*[-/]?\s*Q\s*([1-4])")
_SLASH = re.compile(rf"(\d{{1,2}})\s*[/.-]\s*{_YEAR}")
_ISO = re.compile(r"(\d{4})-(\d\d)(?:-(\d\d))?")
_DAY = re.compile(rf"(\d{{1,2}})[/.-](\d{{1,2}})[/.-]{_YEAR}")
_NAMED = re.compile(rf"(?:\d{{1,2}}[\s.-]*)?([A-Z]{{3}})[A-Z]*\.?[\s/-]*{_YEAR}")
_MONTHS = {
    "JAN": 1, "FEB": 2, "MAR": 3, "APR": 4, "MAY": 5, "JUN": 6, "JUL": 7, "AUG": 8, "SEP": 9, "OCT": 10, "NOV": 11,
    "DEC": 12,
}  # fmt: skip

_LAST_DAY = {1: 31, 2: 30, 3: 30, 4: 31}


class Quarter(NamedTuple):
    """A quarter of a year, compared by time."""

    year: int
    number: int

    @property
    def first(self) -> date:
        """Its first day."""
        return date(self.year, 3 * self.number - 2, 1)

    @property
    def last(self) -> date:
        """Its last day: life counts from here."""
        return date(self.year, 3 * self.number, _LAST_DAY[self.number])

    def __str__(self) -> str:
        return f"{self.number}Q{self.year}"


@lru_cache(1024)
def readings(code: str, fitted: date) -> tuple[Quarter, ...]:
    """What a cure date may mean to somebody who fits the part that day, the earliest first; empty if unreadable."""
    written = code.strip().upper()
    quarters = {
        Quarter(full, (month + 2) // 3) for year, month in _months(written) if (full := _full(year, month, fitted))
    }
    return tuple(sorted(quarters))


def _full(year: str, month: int, fitted: date) -> int | None:
    """The year in four digits: of two digits, the latest whose quarter has begun when the part is fitted."""
    if len(year) == 4:
        return int(year) if int(year) >= 1900 else None
    this = 2000 + int(year)
    begun = date(this, 3 * ((month + 2) // 3) - 2, 1) <= fitted
    return this if begun else this - 100


def _months(code: str) -> Iterator[tuple[str, int]]:
    """Each reading as a year and a month in the quarter meant."""
    if match := _QUARTER.fullmatch(code):
        first, year, second, later, earlier, third = match.groups()
        yield year or later or earlier, 3 * int(first or second or third)
    elif match := _ISO.fullmatch(code):
        yield from _if_month(match[1], int(match[2]))
    elif match := _SLASH.fullmatch(code):
        yield from _number_and_year(match[1], match[2])
    elif match := _DAY.fullmatch(code):
        one, other = int(match[1]), int(match[2])
        if other <= 31:
            yield from _if_month(match[3], one)
        if one <= 31:
            yield from _if_month(match[3], other)
    elif (match := _NAMED.fullmatch(code)) and match[1] in _MONTHS:
        yield match[2], _MONTHS[match[1]]


def _number_and_year(number: str, year: str) -> Iterator[tuple[str, int]]:
    """``2/24`` is the second quarter by custom; ``02/24`` and ``2/2024`` may be that or February; ``6/24`` is June."""
    plain = len(number) == 1 and len(year) == 2
    if 1 <= int(number) <= 4:
        yield year, 3 * int(number)
    if not plain or int(number) > 4:
        yield from _if_month(year, int(number))


def _if_month(year: str, month: int) -> Iterator[tuple[str, int]]:
    if 1 <= month <= 12:
        yield year, month
