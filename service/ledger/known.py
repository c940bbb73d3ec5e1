"""Read, under the lock, what admission has to know about the things a submission names."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import cast

from sqlalchemy import Connection

from service.entries.asset import AssetAmended, AssetRegistered
from service.entries.envelope import Draft
from service.entries.procedure import ProcedurePublished
from service.entries.work import EntryCorrected, RebuildOpened, Replacement
from service.ledger.entry import Entry, read_all
from service.ledger.knowledge import Known
from service.ledger.memory import Memory
from service.ledger.register import Asset
from service.store import entries as stored


def know(
    tx: Connection, memory: Memory, submissions: Sequence[tuple[Sequence[Draft], Sequence[str]]], now: datetime
) -> Known:
    """Everything ``admit`` may ask about these drafts (each list with its ids), read in a few statements."""
    drafts = [draft for some, _ in submissions for draft in some]
    targets = [draft.data.entry for draft in drafts if isinstance(draft.data, EntryCorrected)]
    ids = [id_ for _, some in submissions for id_ in some]
    found = {entry.id: entry for entry in read_all(stored.by_ids(tx, memory.code, [*ids, *targets]))}
    rebuilds = {draft.envelope.rebuild for draft in drafts} | {found[one].rebuild for one in targets if one in found}
    rebuilds.discard(None)
    memory.load_works(tx, cast("set[str]", rebuilds))
    known = Known(
        memory.code,
        now,
        frozenset(),
        assets=_assets(tx, memory, drafts),
        revisions=memory.revisions(tx, _procedures(drafts)),
        entries=found,
        early=_early(tx, memory, [id_ for id_ in ids if id_ not in found]),
    )
    for rebuild in cast("set[str]", rebuilds):
        work = memory.work(tx, rebuild)
        closing = work.folded.closing
        known.knows(rebuild, work.lifecycle, closing.at if closing else None)
    return known


def _early(tx: Connection, memory: Memory, ids: Sequence[str]) -> dict[str, list[Entry]]:
    """Corrections that are there before the entry they name, by its id."""
    early: dict[str, list[Entry]] = {}
    for entry in read_all(stored.corrections_of(tx, memory.code, ids)):
        early.setdefault(str(entry.data["entry"]), []).append(entry)
    return early


def _procedures(drafts: Sequence[Draft]) -> set[str]:
    codes = set()
    for draft in drafts:
        match draft.data:
            case RebuildOpened(procedure=code) | ProcedurePublished(code=code):
                codes.add(code)
            case EntryCorrected(replacement=replacement) if replacement and replacement.data:
                codes.add(str(replacement.data.get("procedure")))
    return codes


def _assets(tx: Connection, memory: Memory, drafts: Sequence[Draft]) -> dict[str, Asset]:
    """The assets named, and all that stand above them."""
    wanted = {draft.envelope.asset for draft in drafts if draft.envelope.asset}
    for draft in drafts:
        match draft.data:
            case AssetRegistered(parent=str(parent)):
                wanted.add(parent)
            case AssetAmended(patch={"parent": str(parent)}):
                wanted.add(parent)
            case EntryCorrected(replacement=Replacement(data={"parent": str(parent)})):
                wanted.add(parent)
            case EntryCorrected(replacement=Replacement(data={"patch": {"parent": str(parent)}})):
                wanted.add(parent)
    known: dict[str, Asset] = {}
    learn_assets(tx, memory, known, wanted)
    return known


def learn_assets(tx: Connection, memory: Memory, known: dict[str, Asset], tags: Iterable[str]) -> None:
    """Read these assets into what is known, and all above them that are not known yet."""
    wanted = set(tags)
    while wanted:
        found = memory.assets(tx, wanted)
        known |= found
        above = {asset.register.parent for asset in found.values()}
        wanted = {tag for tag in above if tag and tag not in known}
