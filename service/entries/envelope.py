"""The envelope: what every entry carries, as a client sends it and as the ledger keeps it."""

from __future__ import annotations

import hashlib
import json
import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Any

import orjson
from jiter import LosslessFloat
from pydantic import BaseModel, Field, StringConstraints, ValidationError

from service.entries.catalogue import ENTRY_TYPES
from service.entries.refusals import Fault, pointer
from service.entries.words import Code, Digest, Many, Model, Moment, Name, Time, Uuid

MOST_DATA_BYTES = 60_000
MOST_ENTRY_BYTES = 65_535
MOST_ENTRIES = 1_000
MOST_LEVELS = 32
"""How many lists and objects may stand inside each other; no entry type has a use for more than ten."""
CLIENT_MEMBERS = ("id", "type", "v", "occurred_at", "asset", "rebuild", "by", "data", "attachments")
_MOST_INTEGER = 2**53 - 1


class Attachment(Model):
    """A file beside an entry, named by the SHA-256 of its content."""

    sha256: Digest
    media_type: Annotated[str, StringConstraints(pattern=r"^[a-z0-9!#$&^_.+-]+/[a-z0-9!#$&^_.+-]+$", max_length=127)]
    name: Name | None = None


class Envelope(Model):
    """An entry as a client sends it; ``data`` is read by the model of its ``type``."""

    id: Uuid | None = None
    type: Annotated[str, Field(max_length=64)]
    v: Annotated[int, Field(ge=1, le=1)] = 1
    occurred_at: Time
    asset: Code | None = None
    rebuild: Uuid | None = None
    by: Code | None = None
    data: dict[str, Any] = Field(default_factory=dict)
    attachments: Many[Attachment] = Field(default=(), max_length=20)


@dataclass(frozen=True, slots=True)
class Draft:
    """An entry that was read and understood, before the ledger has decided on it.

    ``sent`` holds the client members in canonical form, without ``id`` where it was left out.
    """

    envelope: Envelope
    data: BaseModel
    sent: Mapping[str, Any]
    place: str = ""
    """JSON pointer to it in the body, for faults found later."""
    moments: tuple[tuple[str, datetime], ...] = ()
    """Every time in it, with its pointer."""

    @property
    def type(self) -> str:
        """The entry type."""
        return self.envelope.type

    @property
    def occurred_at(self) -> Moment:
        """When the observation was complete."""
        return self.envelope.occurred_at


_WORDS = {
    "extra_forbidden": ("unknown_member", "this member is not known here"),
    "missing": ("missing", "this member is wanted"),
    "literal_error": ("not_one_of", "{message}"),
    "union_tag_invalid": ("not_one_of", "{message}"),
    "union_tag_not_found": ("missing", "{message}"),
    "string_unicode": ("lone_surrogate", "half a surrogate pair is not text"),
    "string_too_short": ("too_short", "{message}"),
    "string_too_long": ("too_long", "{message}"),
    "greater_than_equal": ("too_small", "{message}"),
    "less_than_equal": ("too_great", "{message}"),
    "too_short": ("too_few", "{message}"),
    "too_long": ("too_many", "{message}"),
    "string_pattern_mismatch": ("wrong_form", "{message}"),
}
_MISTYPED = ("_type", "_parsing")
_MOST_TOLD = 1_000
"""More faults than that in one entry are counted and not told: to spell out a million takes seconds."""


def faults_of(error: ValidationError, prefix: str = "") -> list[Fault]:
    """Our faults, each with its pointer, from what a model found wrong."""
    if error.error_count() > _MOST_TOLD:
        return [Fault(prefix, "too_many_faults", f"{error.error_count()} things are wrong here")]
    faults = []
    found = error.errors(include_url=False, include_input=False)
    for wrong in found:
        if wrong["type"] == "too_short" and any(_inside(other["loc"], wrong["loc"]) for other in found):
            continue  # the list is not too short: its items are at fault, and are not counted
        code, words = _WORDS.get(wrong["type"], (wrong["type"], "{message}"))
        if wrong["type"].endswith(_MISTYPED):
            code = "wrong_type"
        steps = wrong["loc"][1:] if error.title in _CHOICES else wrong["loc"]
        if wrong["type"].startswith("union_tag"):
            steps = (*steps, wrong["ctx"]["discriminator"].strip("'"))
        faults.append(
            Fault(prefix + pointer(steps), code, words.format(message=wrong["msg"].replace("Input should", "should")))
        )
    return faults


def _inside(inner: tuple[int | str, ...], outer: tuple[int | str, ...]) -> bool:
    return len(inner) > len(outer) and inner[: len(outer)] == outer


_CHOICES = {"InstrumentRegistered", "LeakTested"}
"""Models that are a choice among others: pydantic's location begins with the one chosen, no member of the document."""


def read_envelope(value: Any, place: str = "") -> Draft | list[Fault]:
    """One entry from a plain JSON value, or all that is wrong with it."""
    if not isinstance(value, dict):
        return [Fault(place, "wrong_type", "an entry is a JSON object")]
    try:
        envelope = Envelope.model_validate(value)
    except ValidationError as error:
        return faults_of(error, place)
    row = ENTRY_TYPES.get(envelope.type)
    if row is None:
        known = ", ".join(name for name, row in ENTRY_TYPES.items() if row.scope)
        return [Fault(place + "/type", "unknown_type", f"no such entry type; we know: {known}")]
    if row.scope is None:
        return [Fault(place + "/type", "server_only", "the server alone writes this entry")]
    if faults := _about(envelope, row.about, place):
        return faults
    try:
        data = row.data.model_validate(envelope.data)
    except ValidationError as error:
        return faults_of(error, place + "/data")
    return _draft(envelope, data, place)


def _about(envelope: Envelope, about: str, place: str) -> list[Fault]:
    """Does it name what an entry of its type is about, and nothing else?"""
    faults = []
    if about in {"asset", "asset, rebuild if any", "rebuild"} and envelope.asset is None:
        faults.append(Fault(place + "/asset", "missing", f"{envelope.type} is about an asset: its tag is wanted"))
    if about == "rebuild" and envelope.rebuild is None:
        faults.append(Fault(place + "/rebuild", "missing", f"{envelope.type} belongs to a rebuild: its id is wanted"))
    if about in {"none", "asset"} and envelope.rebuild is not None:
        faults.append(Fault(place + "/rebuild", "not_about_this", f"{envelope.type} belongs to no rebuild"))
    if about == "none" and envelope.asset is not None:
        faults.append(Fault(place + "/asset", "not_about_this", f"{envelope.type} is not about an asset"))
    return faults


def _draft(envelope: Envelope, data: BaseModel, place: str) -> Draft | list[Fault]:
    quoted = envelope.type in _AS_SENT
    settled = _Settled()
    sent = envelope.model_dump(exclude_unset=True, exclude_none=True, exclude={"data"})
    sent["data"] = envelope.data if quoted else data.model_dump(exclude_unset=True)
    sent = {name: settled.take(member, f"{place}/{name}") for name, member in sent.items()}
    if settled.faults:
        return settled.faults
    if len(orjson.dumps(sent["data"])) > MOST_DATA_BYTES:
        return [Fault(place + "/data", "too_large", f"data holds more than {MOST_DATA_BYTES} bytes")]
    return Draft(envelope, data, sent, place, tuple(settled.moments))


_AS_SENT = frozenset({"entry.corrected", "asset.amended"})
"""Types whose data quotes another entry's: kept as sent, because the quoted type may not be known yet."""


class _Settled:
    """Turns members into the plain values that are hashed, noting every time among them and what cannot be kept."""

    def __init__(self) -> None:
        self.moments: list[tuple[str, datetime]] = []
        self.faults: list[Fault] = []

    def take(self, value: Any, place: str, room: int = MOST_LEVELS) -> Any:
        """The plain value; with no ``room`` left, lists and objects are a fault."""
        match value:
            case Moment():
                self.moments.append((place, value.at))
                return str(value)
            case LosslessFloat():
                return str(value)
            case str():
                if "\0" in value:
                    self.faults.append(Fault(place, "nul", "the NUL character cannot be recorded"))
                return str(value)
            case dict() | list() | tuple() if room == 0:
                self.faults.append(Fault(place, "too_deep", f"nested deeper than {MOST_LEVELS} levels"))
            case dict():
                return {
                    self.take(name, place): self.take(each, place + pointer((name,)), room - 1)
                    for name, each in value.items()
                }
            case list() | tuple():
                return [self.take(each, f"{place}/{index}", room - 1) for index, each in enumerate(value)]
            case int() if abs(value) > _MOST_INTEGER:
                self.faults.append(Fault(place, "too_many_digits", "not exact in JSON beyond 2**53: send it as text"))
        return value


def moments_in(data: BaseModel, place: str) -> list[tuple[str, datetime]]:
    """Every time in an entry's data, with its pointer."""
    settled = _Settled()
    settled.take(data.model_dump(exclude_unset=True), place)
    return settled.moments


def derived_id(facility: str, sent: Mapping[str, Any], ordinal: int) -> str:
    """A UUIDv8 (RFC 9562) for an entry sent without an id: the same content gives the same id.

    Args:
        facility: code of the facility.
        sent: client members in canonical form, without ``id``.
        ordinal: 0 for the first of several identical entries in one body, 1 for the next …
    """
    content = json.dumps([facility, ordinal, sent], sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return uuid8(content.encode())


def uuid8(content: bytes) -> str:
    """A UUIDv8 (RFC 9562 section 5.8) made of the SHA-256 of some content."""
    digest = bytearray(hashlib.sha256(content).digest()[:16])
    digest[6] = (digest[6] & 0x0F) | 0x80
    digest[8] = (digest[8] & 0x3F) | 0x80
    return str(uuid.UUID(bytes=bytes(digest)))
