"""Read, under the lock, what admission has to know about the things a submission names."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

import orjson
from sqlalchemy import Connection, Row

from service.entries.asset import AssetAmended, AssetRegistered
from service.entries.catalogue import Scope
from service.entries.envelope import Draft
from service.entries.procedure import ProcedurePublished
from service.entries.work import EntryCorrected, RebuildOpened, Replacement
from service.ledger.admit import Known
from service.ledger.entry import Entry, read_all
from service.ledger.register import Asset
from service.store import entries as stored
from service.store import views


def know(
    tx: Connection, facility: str, drafts: Sequence[Draft], ids: Sequence[str], now: datetime, scopes: frozenset[Scope]
) -> Known:
    """Everything ``admit`` may ask about these drafts."""
    targets = [draft.data.entry for draft in drafts if isinstance(draft.data, EntryCorrected)]
    found = {entry.id: entry for entry in read_all(stored.by_ids(tx, facility, [*ids, *targets]))}
    known = Known(facility, now, scopes, entries=found)
    known.assets = _assets(tx, facility, drafts)
    known.revisions = views.revisions(tx, facility, _procedures(drafts))
    framing = {"rebuild.opened", "rebuild.closed"}
    framed = [id_ for draft, id_ in zip(drafts, ids, strict=True) if draft.type in framing]
    for entry in read_all(stored.corrections_of(tx, facility, framed)):
        known.early.setdefault(str(entry.data["entry"]), []).append(entry)
    rebuilds = {draft.envelope.rebuild for draft in drafts} | {found[t].rebuild for t in targets if t in found}
    for entry in read_all(stored.lifecycle(tx, facility, (rebuild for rebuild in rebuilds if rebuild))):
        rebuild = entry.rebuild or _target_rebuild(tx, facility, entry)
        if rebuild:
            known.lifecycles.setdefault(rebuild, []).append(entry)
    return known


def _target_rebuild(tx: Connection, facility: str, correction: Entry) -> str | None:
    targets = read_all(stored.by_ids(tx, facility, [str(correction.data["entry"])]))
    return targets[0].rebuild if targets else None


def _procedures(drafts: Sequence[Draft]) -> set[str]:
    codes = set()
    for draft in drafts:
        match draft.data:
            case RebuildOpened(procedure=code) | ProcedurePublished(code=code):
                codes.add(code)
            case EntryCorrected(replacement=replacement) if replacement and replacement.data:
                codes.add(str(replacement.data.get("procedure")))
    return codes


def _assets(tx: Connection, facility: str, drafts: Sequence[Draft]) -> dict[str, Asset]:
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
    while wanted:
        found = views.assets_by_tag(tx, facility, wanted)
        known |= {tag: asset_of(row) for tag, row in found.items()}
        wanted = {row.parent for row in found.values() if row.parent and row.parent not in known}
    return known


def asset_of(row: Row) -> Asset:  # type: ignore[type-arg]
    """An asset from its view."""
    members = orjson.loads(row.body)
    return Asset(row.tag, members, AssetRegistered.model_validate(members), retired=row.retired)
