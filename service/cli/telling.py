"""What the service answers, in lines for a person at a terminal: the verdict first, what is wrong before the rest."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from service.entries.judgement import Verdict

WIDTH = 79
_WORST_FIRST: tuple[Verdict, ...] = ("nonconforming", "inconclusive", "conforming", "not_applicable")
_TROUBLE = ("nonconforming", "inconclusive")
_FEW = 2
Shown = Mapping[str, Any]
"""A document as the API shows it."""


def in_order(rebuilds: Iterable[Shown]) -> list[Shown]:
    """Rebuilds with the worst verdict first, the latest first among equals."""
    latest = sorted(rebuilds, key=lambda rebuild: str(rebuild["opened_at"]), reverse=True)
    return sorted(latest, key=lambda rebuild: _WORST_FIRST.index(rebuild["verdict"]))


def standing(rebuild: Shown) -> str:
    """``inconclusive so far`` or ``conforming``."""
    return _words(rebuild["verdict"]) + (" so far" if rebuild["state"] != "closed" else "")


def briefly(rebuild: Shown) -> str:
    """The verdict, and what counts against it: by name where that is one thing or two, else how many."""
    troubles = [
        f"{finding['check']} {finding['subject']}"
        for finding in rebuild["findings"]
        if finding["counts"] and finding["verdict"] in _TROUBLE
    ]
    named = "; ".join(troubles) if len(troubles) <= _FEW else f"{len(troubles)} findings to settle"
    return standing(rebuild) + (f" ({named})" if troubles else "")


def title(rebuild: Shown) -> str:
    """``OXM1-RB, rebuild of 2025-09-09``."""
    return f"{rebuild['asset']}, rebuild of {str(rebuild['opened_at'])[:10]}"


def rebuild_told(rebuild: Shown) -> Iterator[str]:
    """One rebuild: verdict, what counts against it with what to do, corrections, then all that is in order."""
    procedure, outcome = rebuild["procedure"], rebuild["outcome"]
    yield f"{standing(rebuild).upper()}: {title(rebuild)}"
    ending = f", {_words(outcome)}" if outcome else ""
    yield f"  by procedure {procedure['code']} revision {procedure['revision']}; {rebuild['state']}{ending}"
    for correction in rebuild["corrections"]:
        yield from paragraph(_corrected(correction), "  corrected: ", 4)
    for verdict in _WORST_FIRST:
        findings = [finding for finding in rebuild["findings"] if finding["verdict"] == verdict]
        if findings and verdict not in _TROUBLE:
            yield f"  {_words(verdict)}: {len(findings)}"
        for finding in findings:
            yield from trouble_told(finding) if verdict in _TROUBLE else _fine(finding)
    yield ""


def trouble_told(finding: Shown, indent: int = 2) -> Iterator[str]:
    """One finding in full: what it is about, its arithmetic, what to do, its source cut to a line."""
    noted = "" if finding["counts"] else " (noted, it does not count)"
    yield f"{' ' * indent}{_words(finding['verdict']).upper()}: {finding['check']}, {finding['subject']}{noted}"
    margin = " " * (indent + 2)
    yield from paragraph(finding["says"], margin, len(margin))
    if finding["advice"]:
        yield from paragraph(finding["advice"], f"{margin}To do: ", len(margin))
    yield margin + textwrap.shorten(f"Source: {finding['source']}", WIDTH - len(margin), placeholder=" …")


def sources_told(rebuilds: Iterable[Shown]) -> Iterator[str]:
    """The source of each check, once."""
    sources = {finding["check"]: finding["source"] for rebuild in rebuilds for finding in rebuild["findings"]}
    for check, source in sources.items():
        yield from paragraph(source, f"  {check}: ", 4)


def due_told(items: Sequence[Shown]) -> Iterator[str]:
    """Overdue and due with their arithmetic; the others in a line."""
    for item in items:
        if item["state"] in {"overdue", "due"}:
            what = f"{item['asset']}, {item['procedure']}"
            yield f"  {item['state'].upper()}: {what}, due {item['due_on']}, {_left(item)}"
            yield from paragraph(item["says"], "    ", 4)
    rest = [item for item in items if item["state"] not in {"overdue", "due"}]
    for state in dict.fromkeys(item["state"] for item in rest):
        told = [f"{item['asset']}{_on(item)}" for item in rest if item["state"] == state]
        yield from paragraph(", ".join(told), f"  {_words(state)}: ", 4)


def _fine(finding: Shown) -> Iterator[str]:
    noted = "" if finding["counts"] else " (noted, it does not count)"
    yield from paragraph(f"{finding['check']}, {finding['subject']}{noted}: {finding['says']}", "    ", 6)


def _corrected(correction: Shown) -> str:
    by = f" ({correction['by']})" if correction["by"] else ""
    not_holding = "" if correction["holds"] else f"; it does not hold: {correction['why_not']}"
    return f"{correction['reason']}{by}; the original stays on record{not_holding}"


def _left(item: Shown) -> str:
    days = int(item["days"])
    return f"{days} days left" if days >= 0 else f"{-days} days over"


def _on(item: Shown) -> str:
    return f" (due {item['due_on']}, by {item['why']})" if item["due_on"] else ""


def _words(name: str) -> str:
    return name.replace("_", " ")


def paragraph(text: str, start: str = "", hang: int = 0) -> list[str]:
    """Wrapped for eighty columns, later lines indented by ``hang``."""
    return textwrap.wrap(
        text, WIDTH, initial_indent=start, subsequent_indent=" " * hang, break_on_hyphens=False, break_long_words=False
    )
