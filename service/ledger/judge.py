"""A job judged: every check of the catalogue, and the verdict they add up to. Pure."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from service.checks.catalogue import CHECKS, EDITION
from service.checks.finding import Finding
from service.checks.job import Job
from service.entries.judgement import State, Verdict
from service.merkle.canonical import canonical

_MOST_FINDINGS_BYTES = 56_000


@dataclass(frozen=True)
class Judgement:
    """How a rebuild stands."""

    state: State
    verdict: Verdict
    findings: tuple[Finding, ...] = ()
    edition: str = EDITION

    def shown(self) -> list[Any]:
        """The findings as the wire shows them."""
        return [finding.shown() for finding in self.findings]

    @cached_property
    def data(self) -> dict[str, Any]:
        """What the ``rebuild.judged`` entry says; findings too large for one entry are shortened and pinned."""
        findings = self.shown()
        data: dict[str, Any] = {
            "edition": self.edition,
            "state": self.state,
            "verdict": self.verdict,
            "findings": findings,
        }
        full = canonical(findings)
        if len(full) > _MOST_FINDINGS_BYTES:
            data["findings"] = self._shortened()
            data["findings_digest"] = hashlib.sha256(full).hexdigest()
        return data

    def _shortened(self) -> list[Any]:
        """The verdict of each finding; where even that is too long, how many subjects have which."""
        short: list[Any] = [
            {"check": one.check, "subject": one.subject, "verdict": one.verdict, "counts": one.counts}
            for one in self.findings
        ]
        if len(canonical(short)) <= _MOST_FINDINGS_BYTES:
            return short
        alike = Counter((one.check, one.verdict, one.counts) for one in self.findings)
        return [
            {"check": check, "subject": f"{count} subjects", "verdict": verdict, "counts": counts}
            for (check, verdict, counts), count in alike.items()
        ]

    @cached_property
    def digest(self) -> str:
        """Tells one judgement from another."""
        return digest_of(self.data)


def digest_of(data: Mapping[str, Any]) -> str:
    """SHA-256 over what a ``rebuild.judged`` entry says, ``through`` left out."""
    said: Any = {name: value for name, value in data.items() if name != "through"}
    return hashlib.sha256(canonical(said)).hexdigest()


UNJUDGED = Judgement("unopened", "inconclusive")
"""Before the entry that opens a rebuild has arrived, nobody knows by which procedure to judge it."""


def judge(job: Job) -> Judgement:
    """Run every check.

    The verdict is ``conforming`` when the rebuild is closed and every finding that counts is conforming or not
    applicable; ``nonconforming`` if any that counts is; else ``inconclusive``.
    """
    findings = tuple(finding for check in CHECKS for finding in check.run(job))
    return Judgement(job.state, overall(findings, job.state), findings)


def overall(findings: Iterable[Finding], state: State) -> Verdict:
    """The verdict that findings add up to."""
    verdicts = {finding.verdict for finding in findings if finding.counts}
    if "nonconforming" in verdicts:
        return "nonconforming"
    if "inconclusive" in verdicts or state != "closed":
        return "inconclusive"
    return "conforming"
