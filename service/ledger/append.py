"""The only way into the ledger.

One group of submissions, one transaction. At each step, what a crash here would leave:

1. lock the head            nothing
2. admit and write entries  nothing: the transaction is not committed
3. judge, write views       nothing
4. extend the tree, move the head, commit    either all of the group or nothing of it
5. answer                   the group is durable; a caller who never saw the answer sends again and reads ``replayed``
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Row

from service.entries.catalogue import Scope
from service.entries.envelope import Draft, uuid8
from service.entries.facility import FacilityOpened
from service.entries.refusals import Contradiction, Refusal, Stale, Unknown
from service.entries.words import instant, microseconds
from service.entries.work import EntryCorrected
from service.ledger.admit import Admitted, Known, admit, ids_of
from service.ledger.entry import Entry, rfc3339
from service.ledger.follow import Touched, refresh_facility, refresh_register, subject_of, touch
from service.ledger.gather import facility_of
from service.ledger.known import know
from service.ledger.register import Facility
from service.ledger.standing import Standing, oldest_first, refresh_rebuild
from service.merkle import tree
from service.merkle.canonical import canonical
from service.store import entries as stored
from service.store import tree as nodes
from service.store import views
from service.store.engine import Store

Clock = Callable[[], datetime]
MOST_JUDGED = 64
"""How many rebuilds that something else has marked (a certificate, an amendment) are judged in one transaction."""
SERVER = "server"
"""Credential of the entries that the server itself writes."""


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


@dataclass
class _Group:
    """A transaction under way: what was written so far and what it touches.

    ``whole`` is the facility as of the last submission taken; None: nothing was written yet.
    """

    tx: Connection
    facility: str
    size: int
    recorded_us: int
    rows: list[dict[str, Any]] = field(default_factory=list)
    leaves: list[bytes] = field(default_factory=list)
    touched: Touched = field(default_factory=Touched)
    rebuilds: dict[str, int] = field(default_factory=dict)
    whole: Facility | None = None

    def keep(
        self, members: dict[str, Any], now: datetime, corrects: str | None = None, about: Entry | None = None
    ) -> Entry:
        """Give an entry its place and write it down."""
        self.size += 1
        self.recorded_us = max(self.recorded_us, microseconds(now))
        members |= {"facility": self.facility, "seq": self.size, "recorded_at": rfc3339(instant(self.recorded_us))}
        text = canonical(members)
        self.leaves.append(tree.leaf_hash(text))
        entry = Entry.read(self.size, text)
        placed = about or entry
        self.rows.append(
            {
                "facility": self.facility,
                "seq": entry.seq,
                "id": entry.id,
                "type": entry.type,
                "asset": placed.asset,
                "rebuild": placed.rebuild,
                "subject": subject_of(entry.type, entry.data),
                "corrects": corrects,
                "occurred_us": microseconds(entry.occurred_at),
                "recorded_us": self.recorded_us,
                "body": text.decode(),
            }
        )
        return entry

    def flush(self) -> None:
        """Write the entries kept so far, so that what is read next sees them."""
        stored.write(self.tx, self.rows)
        self.rows = []

    def settle(self) -> None:
        """Write a submission down with what it says of the register: the next one is decided on that."""
        self.flush()
        touched, self.touched = self.touched, Touched()
        if touched.facility:
            self.whole = refresh_facility(self.tx, self.facility)
        if touched:
            self.whole = self.whole or facility_of(self.tx, self.facility)
            refresh_register(self.tx, self.whole, touched)
            self.rebuilds = touched.rebuilds | self.rebuilds


def append(store: Store, facility: str, submissions: Sequence[Submission], clock: Clock) -> list[Receipt | Refusal]:
    """Record a group of submissions in one transaction.

    Returns:
        For each submission its receipt, or the refusal that kept all of it out; a refusal never touches its
        neighbours.

    Raises:
        Unknown: there is no such facility.
    """
    with store.writing() as tx:
        head = stored.lock_head(tx, facility)
        if head is None:
            raise Unknown(f"no facility {facility!r} here", code="unknown_facility")
        group = _Group(tx, facility, head.size, head.recorded_us)
        taken = [_take(group, submission, clock()) for submission in submissions]
        standings = _follow(group, clock())
        root = _extend_tree(group, head.size, bytes(head.root))
        standing = {row.rebuild: row for one in taken if isinstance(one, _Taken) for row in one.standing(tx, facility)}
    return [one if isinstance(one, Refusal) else one.receipt(group.size, root, standings, standing) for one in taken]


def judge_marked(store: Store, facility: str, clock: Clock) -> int:
    """Judge again what other entries (a certificate, an amendment) have marked; returns how many were judged."""
    with store.writing() as tx:
        head = stored.lock_head(tx, facility)
        waiting = views.marked(tx, facility, MOST_JUDGED) if head else []
        if not waiting or head is None:
            return 0
        group = _Group(tx, facility, head.size, head.recorded_us)
        group.whole, group.rebuilds = facility_of(tx, facility), dict.fromkeys(waiting, 0)
        _follow(group, clock())
        _extend_tree(group, head.size, bytes(head.root))
    return len(waiting)


@dataclass(frozen=True, slots=True)
class _Taken:
    accepted: tuple[Accepted, ...]
    rebuilds: frozenset[str]
    stirs: bool
    """It may have changed the verdict of rebuilds it does not name."""

    def standing(self, tx: Connection, facility: str) -> list[Row[Any]]:
        """How the rebuilds it names stand now, touched or not: a caller who sends again asks this too."""
        return [row for rebuild in self.rebuilds if (row := views.rebuild(tx, facility, rebuild)) is not None]

    def receipt(
        self, size: int, root: bytes, touched: Mapping[str, Standing], standing: Mapping[str, Row[Any]]
    ) -> Receipt:
        """The answer to this submission."""
        rebuilds = {rebuild: standing[rebuild] for rebuild in sorted(self.rebuilds) if rebuild in standing}
        stirred = [one for one in touched.values() if one.rebuild in rebuilds or (self.stirs and one.changed)]
        shown = {rebuild: (row.state, row.verdict) for rebuild, row in rebuilds.items()}
        shown |= {one.rebuild: (one.judgement.state, one.judgement.verdict) for one in stirred}
        findings = [
            {"rebuild": one.rebuild, **{name: found[name] for name in ("check", "subject", "verdict")}}
            for one in stirred
            for found in one.changed
        ]
        states = [{"id": rebuild, "state": state, "verdict": verdict} for rebuild, (state, verdict) in shown.items()]
        return Receipt(self.accepted, size, root, tuple(states), tuple(findings))


def _take(group: _Group, submission: Submission, now: datetime) -> _Taken | Refusal:
    """Admit one submission and write its entries."""
    ids = ids_of(group.facility, submission.drafts)
    known = know(group.tx, group.facility, submission.drafts, ids, now, submission.scopes)
    if submission.unless_changed and (stale := _changed(group, *submission.unless_changed)):
        return stale
    try:
        admitted = admit(submission.drafts, ids, known)
    except Refusal as refusal:
        return refusal
    recorded: dict[str, Entry] = {}
    accepted = []
    for one in admitted:
        replayed = one.repeats is not None
        entry = recorded.get(one.id) or one.repeats or _record(group, one, submission.credential, known, recorded, now)
        recorded[one.id] = entry
        accepted.append(Accepted(entry.seq, entry.id, tree.leaf_hash(canonical(dict(entry.body))), replayed))
    group.settle()
    targets = [_target(one, known, recorded) or recorded[one.id] for one in admitted]
    rebuilds = frozenset(target.rebuild for target in targets if target.rebuild)
    return _Taken(tuple(accepted), rebuilds, stirs=any(target.rebuild is None for target in targets))


def _changed(group: _Group, tag: str, seen: int) -> Refusal | None:
    row = views.assets_by_tag(group.tx, group.facility, [tag]).get(tag)
    if row is None:
        return Unknown(f"no asset {tag!r} is registered here", code="unknown_asset")
    return None if row.seq == seen else Stale(f"{tag} has changed since: read it again")


def _record(
    group: _Group, one: Admitted, credential: str, known: Known, recorded: Mapping[str, Entry], now: datetime
) -> Entry:
    target = _target(one, known, recorded)
    corrects = one.draft.data.entry if isinstance(one.draft.data, EntryCorrected) else None
    entry = group.keep({**one.draft.sent, "id": one.id, "credential": credential}, now, corrects, target)
    touch(group.touched, entry, target)
    return entry


def _target(one: Admitted, known: Known, recorded: Mapping[str, Entry]) -> Entry | None:
    """The entry that a correction is about, as far as it is recorded: one that is yet to be written has no place."""
    if not isinstance(one.draft.data, EntryCorrected):
        return None
    target = recorded.get(one.draft.data.entry) or known.entries.get(one.draft.data.entry)
    return target if target and target.seq else None


def _follow(group: _Group, now: datetime) -> dict[str, Standing]:
    """Judge what was touched and what that has marked; write down the judgements that changed."""
    if group.whole is None:
        return {}
    through = group.size
    standings: dict[str, Standing] = {}
    waiting = oldest_first(group.tx, group.facility, group.rebuilds) or _marked(group)
    while waiting and len(standings) < MOST_JUDGED + len(group.rebuilds):
        for rebuild in waiting:
            standing = refresh_rebuild(group.tx, group.whole, rebuild, group.rebuilds.get(rebuild, through))
            standings[rebuild] = standing
            if standing.news:
                group.keep(judged_entry(group.facility, standing, through, now), now)
        waiting = _marked(group)
    group.flush()
    return standings


def _marked(group: _Group) -> list[str]:
    return oldest_first(group.tx, group.facility, views.marked(group.tx, group.facility, MOST_JUDGED))


def judged_entry(facility: str, standing: Standing, through: int, now: datetime) -> dict[str, Any]:
    """The server's own entry about a rebuild."""
    content = f"{facility}\n{standing.rebuild}\n{through}\n{standing.judgement.digest}"
    about = {"asset": standing.asset} if standing.asset is not None else {}
    return about | {
        "id": uuid8(content.encode()),
        "type": "rebuild.judged",
        "occurred_at": rfc3339(now),
        "rebuild": standing.rebuild,
        "credential": SERVER,
        "data": {**standing.judgement.data, "through": through},
    }


def _extend_tree(group: _Group, size_before: int, root_before: bytes) -> bytes:
    """Add the new leaves, move the head; the new root."""
    if group.size == size_before:
        return root_before
    tx, facility = group.tx, group.facility
    edge = tree.read_edge(size_before, lambda positions: nodes.read_nodes(tx, facility, positions))
    appended = tree.append(edge, group.leaves)
    nodes.write_nodes(tx, facility, appended.nodes)
    root = tree.root(appended.edge)
    stored.move_head(tx, facility, group.size, root, group.recorded_us)
    return root


def open_facility(store: Store, opened: FacilityOpened, clock: Clock) -> Receipt:
    """Write entry 1 of a new ledger.

    Raises:
        Contradiction: there is a facility with this code.
    """
    now = clock()
    members = {
        "id": uuid8(f"{opened.code}\n{opened.origin}".encode()),
        "type": "facility.opened",
        "occurred_at": rfc3339(now),
        "credential": SERVER,
        "data": opened.model_dump(exclude_unset=True),
    }
    with store.writing() as tx:
        if not stored.create_head(tx, opened.code, tree.EMPTY_ROOT):
            raise Contradiction(f"there is a facility {opened.code!r}", code="already_open_facility")
        group = _Group(tx, opened.code, 0, 0)
        entry = group.keep(members, now)
        touch(group.touched, entry)
        group.settle()
        _follow(group, now)
        root = _extend_tree(group, 0, tree.EMPTY_ROOT)
    leaf = group.leaves[0]
    return Receipt((Accepted(1, entry.id, leaf, replayed=False),), group.size, root)
