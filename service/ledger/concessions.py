"""Concessions beside the findings they are about: what somebody with the authority has accepted as it is. Pure.

A concession changes no verdict. It stands while its finding does: where the finding conforms by now, or there is none
of that name, it says so; where one was withdrawn by a correction it is shown as withdrawn and stands beside nothing. A
finding that rests on something recorded as later than the concession is not the one that was accepted, and that is
said too.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any, Final, cast

from service.checks.job import Fact
from service.entries.work import FindingAccepted
from service.ledger.entry import Entry, rfc3339
from service.ledger.rebuild import Folded, plain_fact

_STANDING: Final = {"nonconforming", "inconclusive"}
"""Verdicts in which there is something to accept."""
_SAYS: Final = {
    "stands": "Accepted as it is; the verdict is not changed by that.",
    "settled": "There is nothing left to accept: it is not found wanting any more.",
    "no_such_finding": "No check of this rebuild has such a finding.",
    "withdrawn": "The concession was withdrawn.",
}
_LATER: Final = " It rests on entries later than the concession: what was accepted is not what is found now."


def concessions(
    entries: Iterable[Entry], folded: Folded, findings: Sequence[Mapping[str, Any]]
) -> list[dict[str, Any]]:
    """Every concession of a rebuild, in the order they were made, and whether it stands."""
    withdrawn = [plain_fact(one) for one in entries if one.type == "finding.accepted" and one.id in folded.withdrawn]
    all_ = [*folded.facts.of(FindingAccepted), *cast("list[Fact[FindingAccepted]]", withdrawn)]
    return [_shown(fact, folded, findings) for fact in sorted(all_, key=lambda fact: (fact.at, fact.id))]


def beside(finding: Mapping[str, Any], folded: Folded) -> list[dict[str, Any]]:
    """The concessions about one finding."""
    return [_brief(fact) for fact in folded.facts.of(FindingAccepted) if _about(fact, finding)]


def of_judged(findings: Iterable[Mapping[str, Any]], folded: Folded) -> list[str]:
    """The ids of the concessions about findings that a judgement found wanting."""
    wanting = [finding for finding in findings if finding["verdict"] in _STANDING]
    return [fact.id for fact in folded.facts.of(FindingAccepted) if any(_about(fact, finding) for finding in wanting)]


def _about(fact: Fact[FindingAccepted], finding: Mapping[str, Any]) -> bool:
    """One that names no subject is about all that the check found."""
    return fact.data.check == finding["check"] and fact.data.subject in {None, finding["subject"]}


def _brief(fact: Fact[FindingAccepted]) -> dict[str, Any]:
    return {
        "entry": fact.id,
        "at": rfc3339(fact.at),
        "by": fact.by,
        "reason": fact.data.reason,
        "authority": fact.data.authority,
    }


def _shown(fact: Fact[FindingAccepted], folded: Folded, findings: Iterable[Mapping[str, Any]]) -> dict[str, Any]:
    mine = [finding for finding in findings if _about(fact, finding)]
    wanting = [finding for finding in mine if finding["verdict"] in _STANDING]
    standing = "stands" if wanting else "settled" if mine else "no_such_finding"
    if fact.id in folded.withdrawn:
        standing, wanting = "withdrawn", []
    later = _later(fact.at, folded, {id_ for finding in wanting for id_ in finding["entries"]})
    return {
        **_brief(fact),
        "check": fact.data.check,
        "subject": fact.data.subject,
        "standing": standing,
        "says": _SAYS[standing] + (_LATER if later else ""),
        "later": later,
    }


def _later(at: datetime, folded: Folded, rests_on: set[str]) -> list[str]:
    """What a finding rests on and happened, or was corrected, after the concession; by time."""
    facts = [fact.id for fact in folded.facts if fact.id in rests_on and fact.at > at]
    corrections = [
        one.entry.id
        for one in folded.corrections
        if one.holds and one.target in rests_on and one.entry.occurred_at > at
    ]
    return list(dict.fromkeys([*facts, *corrections]))
