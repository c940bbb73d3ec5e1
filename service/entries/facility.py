"""What is said about the facility itself."""

from __future__ import annotations

from typing import Annotated, Self
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import AfterValidator, StringConstraints, model_validator

from service.entries.words import Date, FacilityCode, Model, Name, refuse

_OF_THE_MACHINE = frozenset({"localtime", "posixrules", "Factory"})
"""Files that may lie beside the zones and mean something else on another machine."""


def _known_zone(name: str) -> str:
    if not _is_zone(name) or name in _OF_THE_MACHINE or name.startswith(("posix/", "right/")):
        raise refuse("unknown_time_zone", "not a time zone of the IANA database, such as Atlantic/Faroe")
    return name


def _is_zone(name: str) -> bool:
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return False
    return True


TimeZone = Annotated[str, StringConstraints(min_length=1, max_length=64), AfterValidator(_known_zone)]
Origin = Annotated[str, StringConstraints(pattern=r"^[a-z0-9.-]+\.[a-z0-9-]+(/[A-Za-z0-9._~-]+)*$", max_length=200)]


class FacilityOpened(Model):
    """Entry 1 of every ledger: who keeps it. ``origin`` names the log for ever: a schemeless URL the facility owns."""

    code: FacilityCode
    name: Name
    time_zone: TimeZone
    origin: Origin


class FacilityAmended(Model):
    """A new name, or a new time zone from a day on (that day included)."""

    name: Name | None = None
    time_zone: TimeZone | None = None
    from_day: Date | None = None

    @model_validator(mode="after")
    def _says_something(self) -> Self:
        if self.name is None and self.time_zone is None:
            raise refuse("nothing_amended", "a name or a time_zone is wanted")
        if (self.time_zone is None) != (self.from_day is None):
            raise refuse("from_day_missing", "time_zone and from_day go together")
        return self
