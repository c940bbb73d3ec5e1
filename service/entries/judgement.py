"""The server's own entry: how a rebuild was judged, by which edition of the checks, from what."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import Field

from service.entries.words import Code, Digest, Many, Model

Verdict = Literal["conforming", "nonconforming", "inconclusive", "not_applicable"]
State = Literal["unopened", "open", "closed"]


class RebuildJudged(Model):
    """Written at closing and whenever the judgement changes afterwards.

    ``through`` is the last ``seq`` whose facts it has seen. Findings too large for one entry are shortened to their
    verdicts, or to how many subjects have which, and ``findings_digest`` (SHA-256 of the canonical full list) pins
    what was shortened.
    """

    edition: Code
    state: State
    verdict: Verdict
    through: int = Field(ge=1)
    findings: Many[dict[str, Any]]
    findings_digest: Digest | None = None
