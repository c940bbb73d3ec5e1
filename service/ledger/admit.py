"""What may be recorded. Pure: everything it needs to know is handed to it, read under the lock that gives the ``seq``.

Rules that live here: known facility things (asset, procedure, revision), times not in the future, ids used once,
a rebuild opened and closed once, what may follow a closing, what a correction may touch, the next revision, who may.
Rules that do not: shapes, units and dimensions (``entries``), and whether a fact is good or bad (``checks``): a
measurement is never refused because it fails a check.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from pydantic import ValidationError

from service.entries.asset import AssetAmended, AssetRegistered
from service.entries.catalogue import ENTRY_TYPES
from service.entries.envelope import MOST_ENTRY_BYTES, Draft, derived_id, faults_of, moments_in
from service.entries.instrument import InstrumentCalibrated
from service.entries.procedure import ProcedurePublished
from service.entries.refusals import Contradiction, Fault, NotAFact, NotAllowed, TooLarge
from service.entries.work import EntryCorrected, RebuildOpened
from service.ledger.entry import Entry
from service.ledger.knowledge import Known
from service.ledger.rebuild import fold, misfit
from service.ledger.register import Asset, amended
from service.merkle.canonical import canonical

SKEW = timedelta(minutes=5)
"""How far a caller's clock may run ahead."""
_SERVER_MEMBERS_BYTES = 400


@dataclass(frozen=True, slots=True)
class Admitted:
    """One draft decided on: its id, and the entry it repeats, if it does."""

    draft: Draft
    id: str
    repeats: Entry | None = None


def ids_of(facility: str, drafts: Sequence[Draft]) -> list[str]:
    """The id of each draft: as sent, else derived, the ordinal counting identical ones."""
    seen: dict[bytes, int] = {}
    ids = []
    for draft in drafts:
        if draft.envelope.id is not None:
            ids.append(draft.envelope.id)
            continue
        content = canonical(dict(draft.sent))
        ordinal = seen.get(content, 0)
        seen[content] = ordinal + 1
        ids.append(derived_id(facility, draft.sent, ordinal))
    return ids


def admit(drafts: Sequence[Draft], ids: Sequence[str], known: Known) -> list[Admitted]:
    """Decide on a whole submission: all of it, or nothing.

    Args:
        drafts: entries that were read and understood, in the order sent.
        ids: theirs, from ``ids_of``.
        known: what the ledger holds; it is grown with what is admitted.

    Raises:
        NotAllowed: the credential lacks a scope.
        Contradiction: an id used for something else, a second opening or closing, an entry after closing …
        NotAFact: everything else, all faults together.
    """
    admitted: list[Admitted] = []
    contradictions: list[Fault] = []
    faults: list[Fault] = []
    for draft, id_ in zip(drafts, ids, strict=True):
        _allowed(draft.type, draft, known)
        sent = {**draft.sent, "id": id_}
        earlier = known.entries.get(id_)
        if earlier is not None:
            if not earlier.same_as_sent(sent):
                contradictions.append(Fault(draft.place + "/id", "id_taken", f"{id_} is recorded with other content"))
            admitted.append(Admitted(draft, id_, earlier))
            continue
        found = list(_faults(draft, known))
        if not found:
            admitted.append(Admitted(draft, id_))
            _learn(draft, id_, sent, known)
        for fault in found:
            (contradictions if fault.code in _CONTRADICTIONS else faults).append(fault.under(draft.place))
    if faults:
        raise _refusal(faults + contradictions)
    if contradictions:
        raise Contradiction(contradictions[0].detail, contradictions, code=contradictions[0].code)
    return admitted


_CONTRADICTIONS = {
    "id_taken", "already_registered", "already_open", "already_closed", "after_closing", "not_next_revision",
}  # fmt: skip


def _refusal(faults: list[Fault]) -> NotAFact:
    kind = TooLarge if all(fault.code == "too_large" for fault in faults) else NotAFact
    return kind(faults[0].detail, faults, code=faults[0].code if len(faults) == 1 else None)


def _allowed(type_: str, draft: Draft, known: Known) -> None:
    scope = ENTRY_TYPES[type_].scope
    if scope is None or scope not in known.scopes:
        fault = Fault(draft.place + "/type", "not_allowed", f"{type_} wants the scope {scope}")
        raise NotAllowed(fault.detail, scope or "", [fault])


def _learn(draft: Draft, id_: str, sent: Mapping[str, Any], known: Known) -> None:
    """Let later entries of the same submission see this one."""
    entry = Entry(0, sent, draft.occurred_at.at)
    known.entries[id_] = entry
    match draft.data:
        case AssetRegistered() as register:
            tag = str(draft.envelope.asset)
            known.assets[tag] = Asset(tag, register.model_dump(exclude_unset=True, exclude={"tag"}), register)
        case AssetAmended(patch=patch):
            asset = known.assets[str(draft.envelope.asset)]
            known.assets[asset.tag] = amended(asset, patch, entry.occurred_at)
        case ProcedurePublished(code=code, revision=revision):
            known.revisions[code] = [*known.revisions.get(code, ()), revision]
        case EntryCorrected(entry=target) if target not in known.entries:
            known.early[target] = [*known.early.get(target, ()), entry]
        case EntryCorrected(entry=target):
            if (rebuild := known.entries[target].rebuild) in known.lifecycles:
                known.lifecycles[rebuild] = [*known.lifecycles[rebuild], entry]
    if draft.type in {"rebuild.opened", "rebuild.closed"}:
        opened = str(draft.envelope.rebuild)
        known.lifecycles[opened] = [*known.lifecycles.get(opened, ()), entry, *known.early.get(id_, ())]


def _faults(draft: Draft, known: Known) -> Iterator[Fault]:
    yield from _future(draft.moments, known.now, draft.place)
    if draft.size + _SERVER_MEMBERS_BYTES > MOST_ENTRY_BYTES:
        yield Fault("", "too_large", f"an entry holds at most {MOST_ENTRY_BYTES} bytes")
    asset = draft.envelope.asset
    if asset is not None and asset not in known.assets and draft.type != "asset.registered":
        yield Fault("/asset", "unknown_asset", f"no asset {asset!r} is registered here")
        return
    if rule := _RULES.get(draft.type):
        yield from rule(draft, known)
    yield from _after_closing(draft, known)


def _future(moments: Sequence[tuple[str, datetime]], now: datetime, place: str) -> Iterator[Fault]:
    for where, at in moments:
        if at > now + SKEW:
            yield Fault(where.removeprefix(place), "in_the_future", f"it is {now:%Y-%m-%dT%H:%M:%SZ} here: not yet")


def _after_closing(draft: Draft, known: Known) -> Iterator[Fault]:
    if draft.type == "rebuild.opened" or ENTRY_TYPES[draft.type].after_closing:
        return
    closed_at = known.closed_at(draft.envelope.rebuild)
    if closed_at is None:
        return
    closed = known.closed_as_written(draft.envelope.rebuild)
    if draft.type == "rebuild.closed":
        yield Fault("/rebuild", "already_closed", f"closed at {closed}: correct that entry instead")
    elif draft.occurred_at.at > closed_at:
        yield Fault(
            "/occurred_at",
            "after_closing",
            f"the rebuild was closed at {closed}; afterwards only late facts, countersignatures, notes, concessions, "
            "notices and corrections are taken",
        )


def _opening(draft: Draft, known: Known) -> Iterator[Fault]:
    if fold(known.lifecycles.get(str(draft.envelope.rebuild), ())).opening is not None:
        yield Fault("/rebuild", "already_open", "this rebuild was opened before: correct that entry instead")
    if isinstance(draft.data, RebuildOpened):
        yield from _procedure(draft.data, known, "/data")


def _procedure(opening: RebuildOpened, known: Known, place: str) -> Iterator[Fault]:
    revisions = known.revisions.get(opening.procedure)
    if not revisions:
        yield Fault(place + "/procedure", "unknown_procedure", f"no procedure {opening.procedure!r} is published here")
    elif opening.revision not in revisions:
        there = ", ".join(map(str, sorted(revisions)))
        yield Fault(place + "/revision", "unknown_revision", f"{opening.procedure} has the revisions {there}")


def _publishing(draft: Draft, known: Known) -> Iterator[Fault]:
    if isinstance(draft.data, ProcedurePublished) and (revisions := known.revisions.get(draft.data.code)):
        following = max(revisions) + 1
        if draft.data.revision != following:
            yield Fault("/data/revision", "not_next_revision", f"the next revision of {draft.data.code} is {following}")


def _registering(draft: Draft, known: Known) -> Iterator[Fault]:
    tag = str(draft.envelope.asset)
    if not isinstance(draft.data, AssetRegistered):
        return
    if tag in known.assets:
        yield Fault("/asset", "already_registered", f"{tag!r} is registered: amend it")
    if draft.data.tag not in {None, tag}:
        yield Fault("/data/tag", "two_tags", f"the entry is about {tag!r}")
    yield from _parent(tag, draft.data.parent, known, "/data/parent")


def _amending(draft: Draft, known: Known) -> Iterator[Fault]:
    if not isinstance(draft.data, AssetAmended):
        return
    asset = known.assets[str(draft.envelope.asset)]
    if "tag" in draft.data.patch:
        yield Fault("/data/patch/tag", "tag_is_fixed", "a tag names the position for good: register another")
        return
    try:
        register = amended(asset, draft.data.patch, None).register
    except ValidationError as error:
        yield from faults_of(error, "/data/patch")
        return
    yield from _parent(asset.tag, register.parent, known, "/data/patch/parent")


def _parent(tag: str, above: str | None, known: Known, place: str) -> Iterator[Fault]:
    seen = {tag}
    while above is not None:
        if above in seen:
            yield Fault(place, "circle", f"{tag!r} would be its own parent")
            return
        if above not in known.assets:
            yield Fault(place, "unknown_asset", f"no asset {above!r} is registered here")
            return
        seen.add(above)
        above = known.assets[above].register.parent


def _calibrating(draft: Draft, known: Known) -> Iterator[Fault]:
    if isinstance(draft.data, InstrumentCalibrated):
        yield from _certificate(draft.data, known, "/data")


def _certificate(certificate: InstrumentCalibrated, known: Known, place: str) -> Iterator[Fault]:
    latest = (known.now + timedelta(days=1)).date()
    if certificate.on.date > latest:
        yield Fault(place + "/on", "in_the_future", "a certificate cannot be dated ahead")


def _correcting(draft: Draft, known: Known) -> Iterator[Fault]:
    correction = draft.data
    if not isinstance(correction, EntryCorrected):
        return
    replacement = correction.replacement
    if replacement is not None and replacement.occurred_at is not None:
        yield from _future((("/data/replacement/occurred_at", replacement.occurred_at.at),), known.now, "")
    target = known.entries.get(correction.entry)
    if target is None:
        return
    _allowed_target(target, draft, known)
    if ENTRY_TYPES[target.type].corrigible and replacement is not None and replacement.data is not None:
        yield from _replacement(target, replacement.data, known)
    elif why_not := misfit(draft.sent, target):
        yield Fault("/data/entry", "cannot_be_corrected", why_not)
    for name in ("asset", "rebuild"):
        mine = getattr(draft.envelope, name)
        if mine is not None and mine != target.body.get(name):
            yield Fault("/" + name, "not_as_target", f"the entry corrected has {target.body.get(name)!r}")


def _allowed_target(target: Entry, draft: Draft, known: Known) -> None:
    if ENTRY_TYPES[target.type].scope is not None:
        _allowed(target.type, draft, known)


def _replacement(target: Entry, data: Mapping[str, Any], known: Known) -> Iterator[Fault]:
    place = "/data/replacement/data"
    try:
        read = ENTRY_TYPES[target.type].data.model_validate(dict(data))
    except ValidationError as error:
        yield from faults_of(error, place)
        return
    yield from _future(moments_in(read, place), known.now, "")
    if target.type.startswith("instrument.") and data["instrument"] != target.data["instrument"]:
        why = f"the entry corrected is about {target.data['instrument']!r}: withdraw it and record it anew"
        yield Fault(place + "/instrument", "not_as_target", why)
    match read:
        case RebuildOpened():
            yield from _procedure(read, known, place)
        case InstrumentCalibrated():
            yield from _certificate(read, known, place)
        case AssetRegistered(parent=parent):
            yield from _parent(str(target.asset), parent, known, place + "/parent")
        case AssetAmended(patch={"parent": str(parent)}):
            yield from _parent(str(target.asset), parent, known, place + "/patch/parent")


_RULES: dict[str, Callable[[Draft, Known], Iterator[Fault]]] = {
    "rebuild.opened": _opening,
    "procedure.published": _publishing,
    "asset.registered": _registering,
    "asset.amended": _amending,
    "instrument.calibrated": _calibrating,
    "entry.corrected": _correcting,
}
