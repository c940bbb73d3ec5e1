"""Everything a caller can do wrong, as one small tree.

Refusal
├── Unreadable        the body is not the JSON we take (syntax, duplicate keys, NaN, bad UTF-8)
│   └── WrongMedia    it says itself that it is something else than JSON
├── NotAFact          readable, but it cannot be true or cannot be understood
│   └── TooLarge      more than an entry, a body or a list may hold
├── Contradiction     it cannot stand beside what is recorded already (a used id, an entry after closing)
├── Unknown           no such facility, asset, procedure, rebuild …
├── Unproven          no credential, or one we do not know
├── NotAllowed        a known credential without the scope
├── Stale             the caller's picture (If-Match) is not the present one
│   └── Unconditional a change that wants If-Match came without
└── Busy              not now: try again after ``retry_after`` seconds

Which refusal becomes which HTTP status is known to ``service.api.problems`` alone.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import islice
from typing import Any

MOST_FAULTS = 100
"""How many faults a refusal names: a body that is wrong all over is not answered with a longer one."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong: where (RFC 6901 JSON pointer), a stable code, and words for a person."""

    pointer: str
    code: str
    detail: str

    def under(self, prefix: str) -> Fault:
        """The same fault seen from further up: ``/torque`` under ``/entries/3/data``."""
        return replace(self, pointer=prefix + self.pointer)

    def shown(self) -> dict[str, str]:
        """As it stands in ``errors[]`` of a problem document."""
        return {"pointer": self.pointer, "detail": self.detail, "code": self.code}


class Refusal(Exception):
    """Base of all refusals: nothing was written."""

    code = "refused"
    title = "Refused"

    def __init__(self, detail: str, faults: Iterable[Fault] = (), *, code: str | None = None) -> None:
        super().__init__(detail)
        self.detail = detail
        self.faults: tuple[Fault, ...] = tuple(islice(faults, MOST_FAULTS))
        self.code = code or type(self).code


class Unreadable(Refusal):
    code, title = "unreadable", "The body could not be read"


class WrongMedia(Unreadable):
    code, title = "wrong_media_type", "Another media type is wanted"


class NotAFact(Refusal):
    code, title = "not_a_fact", "This cannot be recorded"


class TooLarge(NotAFact):
    code, title = "too_large", "Too large"


class Contradiction(Refusal):
    code, title = "contradiction", "This contradicts what is recorded"


class Unknown(Refusal):
    code, title = "unknown", "Not found"


class Unproven(Refusal):
    code, title = "unproven", "A valid token is needed"


class NotAllowed(Refusal):
    code, title = "not_allowed", "The token does not allow this"

    def __init__(self, detail: str, scope: str, faults: Iterable[Fault] = ()) -> None:
        super().__init__(detail, faults)
        self.scope = scope


class Stale(Refusal):
    code, title = "stale", "It has changed since you read it"


class Unconditional(Stale):
    code, title = "unconditional", "This change needs an If-Match header"


class Busy(Refusal):
    code, title = "busy", "Not now"

    def __init__(self, detail: str, retry_after: int = 1) -> None:
        super().__init__(detail)
        self.retry_after = retry_after


def pointer(parts: Sequence[Any]) -> str:
    """RFC 6901 pointer from the steps that lead to a value: ``("data", "a/b", 0)`` → ``/data/a~1b/0``."""
    return "".join("/" + str(part).replace("~", "~0").replace("/", "~1") for part in parts)
