"""Entries of one rebuild (or asset, or instrument) folded to the facts that hold. Pure.

The order of arrival plays no part: facts are ordered by when they happened, and of rival corrections the greatest
(``occurred_at``, ``id``) holds. A correction that does not fit its target has no effect and is shown as such.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any, cast

from pydantic import BaseModel, ValidationError

from service.checks.job import Fact, Facts
from service.entries.catalogue import ENTRY_TYPES
from service.entries.words import Moment
from service.entries.work import EntryCorrected, RebuildClosed, RebuildOpened
from service.ledger.entry import Entry


@dataclass(frozen=True, slots=True)
class Correction:
    """A correction and whether it holds."""

    entry: Entry
    target: str
    holds: bool
    why_not: str | None = None


@dataclass(frozen=True)
class Folded:
    """The facts that hold, the corrections that make them so, and which entries were withdrawn."""

    facts: Facts = field(default_factory=Facts)
    corrections: tuple[Correction, ...] = ()
    withdrawn: frozenset[str] = field(default_factory=frozenset)

    def joined_by(self, facts: Iterable[Fact[BaseModel]]) -> Folded:
        """With new facts, none of them a correction nor the target of one."""
        return replace(self, facts=self.facts.joined_by(facts))

    @property
    def holding(self) -> tuple[Fact[EntryCorrected], ...]:
        """Corrections that hold, as facts, by the time they were made."""
        held = [correction.entry for correction in self.corrections if correction.holds]
        return cast(
            "tuple[Fact[EntryCorrected], ...]", tuple(sorted(map(plain_fact, held), key=lambda f: (f.at, f.id)))
        )

    @property
    def opening(self) -> Fact[RebuildOpened] | None:
        """What opened the rebuild."""
        return next(iter(self.facts.of(RebuildOpened)), None)

    @property
    def closing(self) -> Fact[RebuildClosed] | None:
        """What closed it."""
        return next(iter(self.facts.of(RebuildClosed)), None)


def fold(entries: Iterable[Entry]) -> Folded:
    """Apply the corrections among ``entries`` to the rest of them."""
    facts: dict[str, Entry] = {}
    rivals: dict[str, list[Entry]] = {}
    for entry in entries:
        if (type_ := entry.body["type"]) == "entry.corrected":
            rivals.setdefault(str(entry.data["entry"]), []).append(entry)
        elif type_ != "rebuild.judged":
            facts[entry.body["id"]] = entry
    held, shown, withdrawn = [], [], set()
    for id_, entry in facts.items():
        fact: Fact[BaseModel] | None = plain_fact(entry)
        if id_ in rivals:
            fact, corrections = _corrected(entry, rivals.pop(id_))
            shown += corrections
        if fact is None:
            withdrawn.add(id_)
        else:
            held.append(fact)
    for target, waiting in rivals.items():
        shown += [Correction(entry, target, holds=False, why_not="its target is not recorded yet") for entry in waiting]
    shown.sort(key=lambda correction: correction.entry.order)
    return Folded(Facts(held), tuple(shown), frozenset(withdrawn))


def plain_fact(entry: Entry) -> Fact[BaseModel]:
    """What an entry says, uncorrected."""
    body = entry.body
    data = entry.said or ENTRY_TYPES[body["type"]].data.model_validate(body["data"])
    return _fact(entry, entry.occurred_at, data, body.get("by"))


def _fact(entry: Entry, at: datetime, data: BaseModel, by: str | None) -> Fact[BaseModel]:
    body = entry.body
    return Fact(body["id"], body["type"], at, data, by, body.get("credential"), body.get("asset"))


def _corrected(target: Entry, rivals: list[Entry]) -> tuple[Fact[BaseModel] | None, list[Correction]]:
    """The fact with the greatest fitting correction applied (None: withdrawn), and all rivals with their fate."""
    fact: Fact[BaseModel] | None = plain_fact(target)
    shown, holding = [], None
    for rival in sorted(rivals, key=lambda entry: entry.order, reverse=True):
        why_not = misfit(rival.body, target)
        if why_not is None and holding is not None:
            why_not = _outdone(rival, holding)
        shown.append(Correction(rival, target.id, holds=why_not is None, why_not=why_not))
        if why_not is None:
            fact, holding = _apply(rival, target), rival
    return fact, shown


def _outdone(rival: Entry, holding: Entry) -> str:
    """Why a correction that fits does not hold beside the one that does."""
    if rival.occurred_at < holding.occurred_at:
        return "a later correction holds"
    return "made at the same time as the one that holds, which has the greater id"


def misfit(correction: Mapping[str, Any], target: Entry) -> str | None:
    """Why a correction cannot be applied to this target; None where it can.

    One that came before its target could not be held against the target's scope then: the scopes it was recorded with
    stand in it.
    """
    row = ENTRY_TYPES[target.type]
    if target.type == "entry.corrected":
        return "a correction is never corrected: post another correction of the same entry, dated later"
    if not row.corrigible:
        return f"{target.type} is never corrected"
    if row.scope not in correction.get("scopes", (row.scope,)):
        return f"it was recorded without the scope {row.scope}, which {target.type} wants"
    for name in ("asset", "rebuild"):
        if name in correction and correction[name] != target.body.get(name):
            return f"its {name} is not that of its target"
    data = correction["data"]
    if data.get("withdrawn") and target.type in {"asset.registered", "facility.amended"}:
        return f"{target.type} is never withdrawn: amend it"
    replacement = (data.get("replacement") or {}).get("data")
    if replacement is not None:
        try:
            row.data.model_validate(replacement)
        except ValidationError:
            return f"its replacement is no data of {target.type}"
        if target.type.startswith("instrument.") and replacement["instrument"] != target.data["instrument"]:
            return "its instrument is not that of its target"
    return None


def _apply(correction: Entry, target: Entry) -> Fact[BaseModel] | None:
    if correction.data.get("withdrawn"):
        return None
    replacement = correction.data["replacement"]
    data = ENTRY_TYPES[target.type].data.model_validate(replacement.get("data", target.data))
    at = Moment(replacement["occurred_at"]).at if "occurred_at" in replacement else target.occurred_at
    return _fact(target, at, data, replacement.get("by", target.body.get("by")))


def instruments_named(facts: Iterable[Fact[BaseModel]]) -> frozenset[str]:
    """Instruments that these facts say were used, registered or not."""
    said = [getattr(fact.data, "root", fact.data) for fact in facts]
    named = {getattr(data, name, None) for data in said for name in ("instrument", "thermometer")}
    return frozenset(name for name in named if name is not None)
