"""All checks by name, and the edition of the set. A verdict names the edition it was given under."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from service.checks.finding import Finding
from service.checks.job import Job

EDITION = "2026.1"


@dataclass(frozen=True, slots=True)
class Check:
    """One check: what it decides, by which formula, from which source, and the function that does it."""

    name: str
    decides: str
    formula: str
    source: str
    run: Callable[[Job], Iterable[Finding]]


CHECKS: tuple[Check, ...] = ()
