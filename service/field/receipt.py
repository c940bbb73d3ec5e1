"""What a post came to: a receipt, or one of a small tree of errors.

FieldError
├── Refused      the service answered with a problem document (RFC 9457), or would have
└── Unreachable  no answer after several tries
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from http import HTTPStatus
from typing import Any

from service.entries.refusals import Fault


@dataclass(frozen=True, slots=True)
class Accepted:
    """One entry taken; ``replayed``: it was recorded before."""

    seq: int
    id: str
    leaf_hash: str
    replayed: bool


@dataclass(frozen=True, slots=True)
class Receipt:
    """What the service took, in the order sent, and which rebuilds and findings it touched."""

    accepted: tuple[Accepted, ...] = ()
    size: int = 0
    root: str = ""
    rebuilds: tuple[Mapping[str, Any], ...] = ()
    findings: tuple[Mapping[str, Any], ...] = ()

    @property
    def new(self) -> int:
        """Entries that were not recorded before."""
        return sum(not one.replayed for one in self.accepted)

    def and_then(self, answer: Mapping[str, Any]) -> Receipt:
        """This receipt and the service's next one: of a rebuild or finding told twice, the later holds."""
        rebuilds = {each["id"]: each for each in (*self.rebuilds, *answer["rebuilds"])}
        findings = {
            (each["rebuild"], each["check"], each["subject"]): each for each in (*self.findings, *answer["findings"])
        }
        accepted = (*self.accepted, *(Accepted(**one) for one in answer["accepted"]))
        return Receipt(accepted, answer["size"], answer["root"], tuple(rebuilds.values()), tuple(findings.values()))


class FieldError(Exception):
    """Base of what can go wrong; ``receipt`` is what was taken before it did."""

    receipt = Receipt()


class Refused(FieldError):
    """The problem document: ``status``, ``code``, and ``errors``, each with its pointer into what was posted."""

    def __init__(self, problem: Mapping[str, Any]) -> None:
        self.problem = problem
        self.status, self.code = int(problem["status"]), str(problem.get("code", ""))
        self.errors: Sequence[Mapping[str, str]] = problem.get("errors", ())
        faults = "; ".join(f"{fault['pointer']}: {fault['detail']}" for fault in self.errors)
        super().__init__(f"{self.status} {problem.get('title', '')}: {faults or problem.get('detail', '')}")

    @classmethod
    def here(cls, faults: Sequence[Fault]) -> Refused:
        """What the service would say to these faults."""
        return cls(
            {
                "title": "This cannot be recorded",
                "status": int(HTTPStatus.UNPROCESSABLE_ENTITY),
                "detail": faults[0].detail,
                "code": faults[0].code,
                "errors": [fault.shown() for fault in faults],
            }
        )

    def further_down(self, offset: int) -> Refused:
        """The same for a later part of a list: pointers counted from the first entry of all."""
        return Refused({**self.problem, "errors": [_moved(fault, offset) for fault in self.errors]})


class Unreachable(FieldError):
    """No answer after several tries."""


def _moved(fault: Mapping[str, str], offset: int) -> dict[str, str]:
    index, slash, rest = fault["pointer"].removeprefix("/entries/").partition("/")
    if not index.isdigit():
        return dict(fault)
    return {**fault, "pointer": f"/entries/{int(index) + offset}{slash}{rest}"}
