"""What callers hand in and what they are given for it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from service.entries.catalogue import Scope
from service.entries.envelope import Draft
from service.ledger.standing import Standing


@dataclass(frozen=True, slots=True)
class Submission:
    """What one caller wants recorded, all of it or nothing.

    ``unless_changed``: an asset's tag and the seq of the state the caller has seen; anything newer keeps it all out.
    """

    drafts: Sequence[Draft]
    credential: str
    scopes: frozenset[Scope]
    unless_changed: tuple[str, int] | None = None


@dataclass(frozen=True, slots=True)
class Chunk:
    """Entries of an import, each with its id and each a submission of its own, for one transaction."""

    drafts: Sequence[Draft]
    credential: str
    scopes: frozenset[Scope]


@dataclass(frozen=True, slots=True)
class Accepted:
    """One entry taken, or found recorded before."""

    seq: int
    id: str
    leaf_hash: bytes
    replayed: bool


@dataclass(frozen=True, slots=True)
class Receipt:
    """What was recorded, where the ledger ends now, and what followed."""

    accepted: tuple[Accepted, ...]
    size: int
    root: bytes
    rebuilds: tuple[dict[str, Any], ...] = ()
    findings: tuple[dict[str, Any], ...] = ()


@dataclass(frozen=True, slots=True)
class Taken:
    """One submission taken: what was recorded of it, and which rebuilds it names."""

    accepted: tuple[Accepted, ...]
    rebuilds: frozenset[str]
    stirs: bool
    """It may have changed the verdict of rebuilds it does not name."""

    def receipt(
        self, size: int, root: bytes, touched: Mapping[str, Standing], standing: Mapping[str, tuple[str, str]]
    ) -> Receipt:
        """The answer to this submission."""
        shown = {rebuild: standing[rebuild] for rebuild in sorted(self.rebuilds) if rebuild in standing}
        if self.stirs or len(self.rebuilds) > 1:
            stirred = [one for one in touched.values() if one.rebuild in self.rebuilds or (self.stirs and one.changed)]
        else:
            stirred = [touched[rebuild] for rebuild in self.rebuilds if rebuild in touched]
        shown |= {one.rebuild: (one.judgement.state, one.judgement.verdict) for one in stirred}
        findings = [
            {"rebuild": one.rebuild, **{name: found[name] for name in ("check", "subject", "verdict")}}
            for one in stirred
            for found in one.changed
        ]
        states = [{"id": rebuild, "state": state, "verdict": verdict} for rebuild, (state, verdict) in shown.items()]
        return Receipt(self.accepted, size, root, tuple(states), tuple(findings))
