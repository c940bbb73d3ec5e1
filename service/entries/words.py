"""The smallest words every entry is made of: codes, texts, decimal numbers, times, days and durations.

Each is kept as the text it was sent as, because the text is what the ledger hashes; what it means (a datetime,
a number of seconds) hangs on the value as a property.
"""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from typing import Annotated, Any, TypeVar

from jiter import LosslessFloat
from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    PlainValidator,
    StringConstraints,
    WithJsonSchema,
)
from pydantic_core import PydanticCustomError

from service.entries.once import once

_DECIMAL = re.compile(r"-?(?:\d+)(?:\.\d+)?(?:[eE][+-]?\d{1,3})?", re.ASCII)
_PLAIN_DECIMAL = re.compile(r"-?\d{1,9}(?:\.\d{1,9})?", re.ASCII)
_CONTROL = re.compile(r"[\x00-\x1f\x7f]")
_TIME = re.compile(r"\d{4}-\d\d-\d\d[Tt]\d\d:\d\d:\d\d(?:\.\d{1,9})?(?P<offset>[Zz]|[+-]\d\d:[0-5]\d)?", re.ASCII)
_DAY = re.compile(r"\d{4}-\d\d-\d\d", re.ASCII)
_DURATION = re.compile(
    r"P(?=[\dT])(?:(\d{1,3})Y)?(?:(\d{1,4})M)?(?:(\d{1,4})W)?(?:(\d{1,5})D)?"
    r"(?:T(?=\d)(?:(\d{1,5})H)?(?:(\d{1,5})M)?(?:(\d{1,6})S)?)?",
    re.ASCII,
)
_MOST_DIGITS = 18
_FIRST_YEAR = 1900


T = TypeVar("T")


class Model(BaseModel):
    """Base of every wire model: frozen, strict, and a member it does not know is refused."""

    model_config = ConfigDict(frozen=True, strict=True, extra="forbid", validate_default=False, ignored_types=(once,))


Many = Annotated[tuple[T, ...], Field(strict=False)]


def refuse(code: str, detail: str) -> PydanticCustomError:
    """A validation error that carries our own code and words."""
    return PydanticCustomError(code, "{detail}", {"detail": detail})


_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)


def microseconds(at: datetime) -> int:
    """Microseconds since 1970, the form in which tables keep instants."""
    return (at - _EPOCH) // _MICROSECOND


def instant(since_epoch: int) -> datetime:
    """The instant so many microseconds after 1970, UTC."""
    return _EPOCH + since_epoch * _MICROSECOND


def decimal_text(value: Any) -> str:
    """Decimal text from a JSON number or string, digits kept; an exponent is written out.

    Raises ``not_a_number`` for booleans, NaN, infinity and other text, ``too_many_digits`` beyond 18 digits.
    """
    if isinstance(value, bool) or not isinstance(value, str | int | LosslessFloat):
        raise refuse("not_a_number", "a decimal number is wanted, as text or as a JSON number")
    text = str(value)
    if _PLAIN_DECIMAL.fullmatch(text):
        return text
    if len(text) > 3 * _MOST_DIGITS or not _DECIMAL.fullmatch(text):
        raise refuse("not_a_number", "not a decimal number")
    if "e" in text or "E" in text:
        text = format(Decimal(text), "f") if abs(Decimal(text).adjusted()) <= _MOST_DIGITS else "9" * 99
    if sum(character.isdigit() for character in text.lstrip("-0.")) > _MOST_DIGITS or len(text) > 2 * _MOST_DIGITS + 3:
        raise refuse("too_many_digits", f"more than {_MOST_DIGITS} digits")
    return text


def _no_nul(text: str) -> str:
    if "\0" in text:
        raise refuse("nul", "the NUL character cannot be recorded")
    return text


def _no_controls(text: str) -> str:
    if _CONTROL.search(text) or text != text.strip():
        raise refuse("not_a_code", "no control characters and no spaces at either end")
    if text.strip(".") == "" or "/" in text or "\\" in text:
        raise refuse("not_a_code", "no slashes, and not dots alone: it is part of an address")
    return text


class Moment(str):
    """An RFC 3339 time with offset, as sent."""

    __slots__ = ("__dict__",)

    @once
    def at(self) -> datetime:
        """The same instant in UTC."""
        return datetime.fromisoformat(self.upper()).astimezone(UTC)


class Day(str):
    """A calendar day, ``2026-05-04``."""

    __slots__ = ("__dict__",)

    @once
    def date(self) -> date:
        """The day as a date."""
        return date.fromisoformat(self)


class Duration(str):
    """An ISO 8601 duration: a calendar part (months, days) and a clock part (seconds), never mixed up."""

    __slots__ = ("__dict__",)

    @once
    def _parts(self) -> tuple[int, ...]:
        match = _DURATION.fullmatch(self)
        return tuple(int(part or 0) for part in match.groups()) if match else (0,) * 7

    @property
    def months(self) -> int:
        """Whole months of the calendar part (a year is twelve)."""
        return 12 * self._parts[0] + self._parts[1]

    @property
    def days(self) -> int:
        """Days of the calendar part beside the months (a week is seven)."""
        return 7 * self._parts[2] + self._parts[3]

    @property
    def seconds(self) -> int:
        """The clock part, s."""
        return 3600 * self._parts[4] + 60 * self._parts[5] + self._parts[6]


def moment_of(value: Any) -> Moment:
    """An RFC 3339 time with offset. Raises ``not_a_time`` or ``no_offset``."""
    match = _TIME.fullmatch(value) if isinstance(value, str) else None
    if match is None:
        raise refuse("not_a_time", "an RFC 3339 time is wanted, such as 2026-05-04T08:30:00+01:00")
    if not match["offset"]:
        raise refuse("no_offset", "the offset from UTC is missing: end it with Z or +01:00")
    try:
        moment = Moment(value)
        if moment.at.year < _FIRST_YEAR:
            raise refuse("not_a_time", f"before {_FIRST_YEAR}")
    except (ValueError, OverflowError):
        raise refuse("not_a_time", "no such time") from None
    return moment


def _day(value: Any) -> Day:
    if not isinstance(value, str) or not _DAY.fullmatch(value):
        raise refuse("not_a_day", "a calendar day is wanted, such as 2026-05-04")
    try:
        day = Day(value)
        if day.date.year < _FIRST_YEAR:
            raise refuse("not_a_day", f"before {_FIRST_YEAR}")
    except ValueError:
        raise refuse("not_a_day", "no such day") from None
    return day


def _duration(value: Any) -> Duration:
    if not isinstance(value, str) or not _DURATION.fullmatch(value):
        raise refuse("not_a_duration", "an ISO 8601 duration is wanted, such as P4Y, P60D or PT15M")
    return Duration(value)


def _calendar(value: Duration) -> Duration:
    if value.seconds:
        raise refuse("not_a_duration", "years, months, weeks and days only, such as P4Y or P60D")
    return value


def _clock(value: Duration) -> Duration:
    if value.months:
        raise refuse("not_a_duration", "days, hours, minutes and seconds only, such as PT15M")
    return value


def _not_negative(text: str) -> str:
    if text.startswith("-") and Decimal(text) != 0:
        raise refuse("negative", "this magnitude cannot be negative")
    return text


_NUMBER_SCHEMA = {
    "anyOf": [
        {"type": "string", "pattern": r"^-?\d+(\.\d+)?([eE][+-]?\d{1,3})?$", "maxLength": 40},
        {"type": "number"},
    ],
    "description": "A decimal number, as text or as a JSON number; its digits are kept as sent. At most 18 digits.",
}
DecimalText = Annotated[str, BeforeValidator(decimal_text), WithJsonSchema(_NUMBER_SCHEMA)]
Amount = Annotated[DecimalText, AfterValidator(_not_negative)]

Code = Annotated[str, StringConstraints(min_length=1, max_length=64), AfterValidator(_no_controls)]
Text = Annotated[str, StringConstraints(min_length=1, max_length=4000), AfterValidator(_no_nul)]
Name = Annotated[str, StringConstraints(min_length=1, max_length=200), AfterValidator(_no_nul)]
Kind = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9_]{0,63}$")]
FacilityCode = Annotated[str, StringConstraints(pattern=r"^[a-z0-9][a-z0-9-]{0,62}$")]
Digest = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{64}$")]
Count = Annotated[int, Field(ge=1, le=10_000)]
Uuid = Annotated[
    str,
    StringConstraints(pattern=r"^[0-9a-fA-F]{8}(-[0-9a-fA-F]{4}){3}-[0-9a-fA-F]{12}$"),
    AfterValidator(str.lower),
]

_TIME_SCHEMA = {"type": "string", "format": "date-time", "description": "RFC 3339 with offset."}
_DAY_SCHEMA = {"type": "string", "format": "date"}
_SPAN_SCHEMA = {"type": "string", "pattern": r"^P", "description": "ISO 8601 duration."}
Time = Annotated[Moment, PlainValidator(moment_of), WithJsonSchema(_TIME_SCHEMA)]
Date = Annotated[Day, PlainValidator(_day), WithJsonSchema(_DAY_SCHEMA)]
CalendarSpan = Annotated[
    Duration,
    PlainValidator(_duration),
    AfterValidator(_calendar),
    WithJsonSchema({**_SPAN_SCHEMA, "examples": ["P4Y"]}),
]
ClockSpan = Annotated[
    Duration, PlainValidator(_duration), AfterValidator(_clock), WithJsonSchema({**_SPAN_SCHEMA, "examples": ["PT15M"]})
]
