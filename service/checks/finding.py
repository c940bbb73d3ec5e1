"""What a check answers: a verdict with the arithmetic that leads to it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple

import orjson

from service.checks.job import Job
from service.entries.catalogue import ENTRY_TYPES
from service.entries.judgement import Verdict
from service.entries.once import once
from service.entries.quantity import Quantity, figures

COMMON_PRACTICE = "common practice, no published source"
FROM_MEMORY = "from memory; confirm against the document"


EVERYTHING = frozenset(ENTRY_TYPES)
"""For checks that any fact can answer otherwise."""
WORST_FIRST: tuple[Verdict, ...] = ("nonconforming", "inconclusive", "conforming", "not_applicable")


class _Told(NamedTuple):
    check: str
    subject: str
    verdict: Verdict
    says: str
    source: str
    counts: bool = True
    measured: Mapping[str, Any] | None = None
    required: Mapping[str, Any] | None = None
    probability: str | None = None
    advice: str | None = None
    entries: tuple[str, ...] = ()


class Finding(_Told):
    """One answer of one check about one subject.

    ``measured`` and ``required`` hold quantities as ``Quantity.shown`` gives them; ``says`` is the arithmetic in
    words and numbers, enough to redo it with a pencil; ``advice`` is what would settle or mend it; ``entries`` are
    the ids of the entries it rests on.
    """

    def noted_only(self, why: str) -> Finding:
        """The same finding, no longer bearing on the rebuild's verdict."""
        return self._replace(counts=False, says=f"{self.says} {why}")

    def shown(self) -> dict[str, Any]:
        """As the wire shows it; ``probability`` only where there is one."""
        shown: dict[str, Any] = {
            "check": self.check,
            "subject": self.subject,
            "verdict": self.verdict,
            "counts": self.counts,
            "measured": self.measured,
            "required": self.required,
            "says": self.says,
            "advice": self.advice,
            "source": self.source,
            "entries": list(self.entries),
        }
        if self.probability is not None:
            shown["probability"] = self.probability
        return shown

    @once
    def text(self) -> str:
        """The same as JSON."""
        return orjson.dumps(self.shown()).decode()


def say(
    check: str,
    source: str,
    subject: str,
    verdict: Verdict,
    says: str,
    advice: str | None = None,
    entries: Iterable[str] = (),
    **more: Any,
) -> Finding:
    """A finding in the order in which one speaks; each check begins with ``partial(say, NAME, SOURCE)``."""
    return Finding(
        check=check,
        source=source,
        subject=subject,
        verdict=verdict,
        says=says,
        advice=advice,
        entries=tuple(entries),
        **more,
    )


def in_both(quantity: Quantity, count: int = 4) -> str:
    """As written, and in SI to ``count`` figures where that is another unit: ``50 psi (344.7 kPa)``."""
    if quantity.code == quantity.si_unit:
        return str(quantity)
    return f"{quantity} ({figures(quantity.si, count)} {quantity.si_unit})"


def worst(findings: Iterable[Finding]) -> Finding:
    """The one that says least for the work; the first of equals."""
    return min(findings, key=lambda finding: WORST_FIRST.index(finding.verdict))


@dataclass(frozen=True, slots=True)
class Check:
    """One check: what it decides, by which formula, from which source, and the function that does it.

    ``reads`` are the entry types whose facts can change its answer; facts of other types leave it as it was.
    """

    name: str
    decides: str
    formula: str
    source: str
    reads: frozenset[str]
    run: Callable[[Job], Iterable[Finding]]
