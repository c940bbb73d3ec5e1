"""A job judged: every check of the catalogue, and the verdict they add up to. Pure."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Iterable, Mapping
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, field
from typing import Any

from service.checks.catalogue import CHECKS, EDITION
from service.checks.finding import COMMON_PRACTICE, Finding
from service.checks.job import Job
from service.entries.judgement import State, Verdict
from service.entries.once import once
from service.merkle.canonical import canonical

_MOST_FINDINGS_BYTES = 56_000


@dataclass(frozen=True)
class Judgement:
    """How a rebuild stands."""

    state: State
    verdict: Verdict
    findings: tuple[Finding, ...] = ()
    edition: str = EDITION
    by_check: Mapping[str, tuple[Finding, ...]] = field(default_factory=dict)

    def shown(self) -> list[Any]:
        """The findings as the wire shows them."""
        return [finding.shown() for finding in self.findings]

    @once
    def text(self) -> str:
        """The same as JSON; a finding that answers as before is not written out again."""
        return f"[{','.join([finding.text for finding in self.findings])}]"

    @once
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

    @once
    def digest(self) -> str:
        """Tells one judgement from another."""
        return digest_of(self.data)


def digest_of(data: Mapping[str, Any]) -> str:
    """SHA-256 over what a ``rebuild.judged`` entry says, ``through`` left out."""
    said: Any = {name: value for name, value in data.items() if name != "through"}
    return hashlib.sha256(canonical(said)).hexdigest()


UNJUDGED = Judgement(
    "unopened",
    "inconclusive",
    (
        Finding(
            check="sign_off",
            subject="opening",
            verdict="inconclusive",
            says=(
                "Nothing says by which procedure to judge it: rebuild.opened is not recorded or was withdrawn, or the "
                "procedure it names is not published."
            ),
            advice="Record rebuild.opened for this rebuild; what was recorded before is then judged too.",
            source=COMMON_PRACTICE,
        ),
    ),
)
"""Before the entry that opens a rebuild has arrived, nobody knows by which procedure to judge it."""


def judge(job: Job, before: Judgement | None = None, news: AbstractSet[str] | None = None) -> Judgement:
    """Run the checks.

    Args:
        job: what is to be judged.
        before: how the same job was judged before facts were added to it.
        news: the entry types of those facts; checks that read none of them answer as before.

    The verdict is ``conforming`` when the rebuild is closed and every finding that counts is conforming or not
    applicable; ``nonconforming`` if any that counts is; else ``inconclusive``.
    """
    by_check = before.by_check if before is not None and news is not None else {}
    answers = {
        check.name: by_check[check.name]
        if check.name in by_check and check.reads.isdisjoint(news or ())
        else tuple(check.run(job))
        for check in CHECKS
    }
    findings = tuple(finding for answer in answers.values() for finding in answer)
    return Judgement(job.state, overall(findings, job.state), findings, by_check=answers)


def overall(findings: Iterable[Finding], state: State) -> Verdict:
    """The verdict that findings add up to."""
    verdicts = {finding.verdict for finding in findings if finding.counts}
    if "nonconforming" in verdicts:
        return "nonconforming"
    if "inconclusive" in verdicts or state != "closed":
        return "inconclusive"
    return "conforming"
