"""The only way into the ledger.

One group of submissions, one transaction. At each step, what a crash here would leave:

1. lock the head            nothing; the lock goes with the connection, or once that has been silent for long
2. admit and write entries  nothing: the transaction is not committed
3. judge, write views       nothing; marks that earlier groups have left stay, for whoever looks next
4. extend the tree, move the head, commit    either all of the group or nothing of it
5. answer                   the group is durable; a caller who never saw the answer sends again and reads ``replayed``

Where the connection is lost in the middle, at the commit even, the appender runs the group once more: what was durable
already is found by its ids. Several processes may append to one facility: the lock puts them one behind the other, and
each reads under it what the one before has committed.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any, NoReturn

from pydantic import BaseModel
from sqlalchemy import Connection

from service.entries.envelope import uuid8
from service.entries.facility import FacilityOpened
from service.entries.refusals import Contradiction, Refusal, Stale, Unknown
from service.entries.words import instant, microseconds
from service.entries.work import EntryCorrected
from service.ledger.admit import Admitted, admit, ids_of
from service.ledger.entry import Entry, rfc3339
from service.ledger.follow import Touched, refresh_register, touch
from service.ledger.knowledge import Known
from service.ledger.known import know, learn_assets
from service.ledger.memory import Memory
from service.ledger.receipt import Accepted, Chunk, Receipt, Submission, Taken
from service.ledger.row import row_of
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


@dataclass
class _Group:
    """A transaction under way: what was written so far and what it touches."""

    tx: Connection
    memory: Memory
    size: int
    recorded_us: int
    turn: int
    rows: list[dict[str, Any]] = field(default_factory=list)
    leaves: list[bytes] = field(default_factory=list)
    touched: Touched = field(default_factory=Touched)
    recorded: tuple[int, str] = (-1, "")
    """The last ``recorded_us`` and how it is written: all entries of a chunk share it."""

    def present(self, clock: Clock) -> datetime:
        """Now; never before what is recorded, though the clock of the process that recorded it was ahead of ours."""
        return max(clock(), instant(self.recorded_us))

    def keep(
        self,
        members: dict[str, Any],
        occurred_at: datetime,
        now: datetime,
        target: Entry | None = None,
        said: BaseModel | None = None,
    ) -> Entry:
        """Give an entry its place and remember to write it down; a correction stands where its target does."""
        self.size += 1
        self.recorded_us = max(self.recorded_us, microseconds(now))
        if self.recorded[0] != self.recorded_us:
            self.recorded = self.recorded_us, rfc3339(instant(self.recorded_us))
        members = {**members, "facility": self.memory.code, "seq": self.size, "recorded_at": self.recorded[1]}
        text = canonical(members)
        self.leaves.append(tree.leaf_hash(text))
        entry = Entry(self.size, members, occurred_at, said)
        self.rows.append(row_of(self.memory.code, entry, text.decode(), target, self.recorded_us))
        return entry

    def flush(self) -> None:
        """Write the entries kept so far, so that what is read next sees them."""
        stored.write(self.tx, self.rows)
        self.rows = []

    def settle(self) -> None:
        """Write down what was kept, with what it says of the register."""
        self.flush()
        refresh_register(self.tx, self.memory, self.touched)
        self.touched = self.touched.rebuilds_alone()


def append(store: Store, memory: Memory, submissions: Sequence[Submission], clock: Clock) -> list[Receipt | Refusal]:
    """Record a group of submissions in one transaction.

    Args:
        store: where the ledger is kept.
        memory: what this writer remembers of the facility; it is this call's alone while it runs.
        submissions: what callers want recorded.
        clock: the present.

    Returns:
        For each submission its receipt, or the refusal that kept all of it out; a refusal never touches its
        neighbours.

    Raises:
        Unknown: there is no such facility.
    """
    with _group(store, memory) as group:
        size_before = group.size
        taken = _take_all(group, submissions, clock)
        standings = _follow(group, group.present(clock)) if group.size > size_before else {}
        root = _extend_tree(group, size_before)
        standing = _standing(group, taken)
    return [one if isinstance(one, Refusal) else one.receipt(group.size, root, standings, standing) for one in taken]


def append_each(store: Store, memory: Memory, chunk: Chunk, clock: Clock) -> list[Accepted | Refusal]:
    """Record the entries of a chunk in one transaction, each a submission of its own.

    Returns:
        For each entry where it stands, or the refusal that kept it alone out.

    Raises:
        Unknown: there is no such facility.
    """
    with _group(store, memory) as group:
        size_before = group.size
        outcomes = _take_each(group, chunk, group.present(clock))
        if group.size > size_before:
            _follow(group, group.present(clock))
        _extend_tree(group, size_before)
    return outcomes


@contextmanager
def _group(store: Store, memory: Memory) -> Iterator[_Group]:
    """A transaction on the locked head; if it comes to nothing, what was learnt in it is forgotten."""
    try:
        with store.writing() as tx:
            head = stored.lock_head(tx, memory.code) or _no_facility(memory.code)
            memory.sync((head.size, head.root, head.turn))
            yield _Group(tx, memory, head.size, head.recorded_us, head.turn)
    except BaseException:
        memory.forget_all()
        raise


def _no_facility(code: str) -> NoReturn:
    raise Unknown(f"no facility {code!r} here", code="unknown_facility")


def judge_marked(store: Store, memory: Memory, clock: Clock, most: int = MOST_JUDGED) -> int:
    """Judge again what other entries (a certificate, an amendment) have marked; returns how many were judged.

    Whichever process has the head does it, and takes the marks away with it: none is judged twice.
    """
    with _group(store, memory) as group:
        memory.marked = True  # whoever calls has seen marks, perhaps another process's
        waiting = memory.waiting(group.tx, most)
        if waiting:
            size_before = group.size
            _judge(group, waiting, group.present(clock), afresh=True)
            root = _extend_tree(group, size_before)
            if group.size == size_before:
                stored.turn_head(group.tx, memory.code)
                memory.moved((group.size, root, group.turn + 1))
    return len(waiting)


def _take_all(group: _Group, submissions: Sequence[Submission], clock: Clock) -> list[Taken | Refusal]:
    """Admit each submission, or not, and keep the entries of those admitted.

    One that says something of the register is settled at once, and what comes after it is decided on that.
    """
    code = group.memory.code
    waiting = [(submission, ids_of(code, submission.drafts)) for submission in submissions]
    taken: list[Taken | Refusal] = []
    while waiting:
        now = group.present(clock)
        known = know(group.tx, group.memory, [(one.drafts, ids) for one, ids in waiting], now)
        while waiting and not group.touched.register:
            submission, ids = waiting.pop(0)
            branch = known.branch(group.present(clock), submission.scopes)
            try:
                _unchanged(group, submission)
                admitted = admit(submission.drafts, ids, branch)
            except Refusal as refusal:
                taken.append(refusal)
                continue
            taken.append(_record(group, admitted, submission.credential, branch))
            known = branch
        group.settle()
    return taken


def _take_each(group: _Group, chunk: Chunk, now: datetime) -> list[Accepted | Refusal]:
    """Admit each entry, or not, and keep it.

    A single entry teaches nothing unless it is admitted, so all learn in one place. What they say of the register is
    settled at the end, and before that only where admission cannot learn it from the entry alone.
    """
    ids = ids_of(group.memory.code, chunk.drafts)
    known = replace(know(group.tx, group.memory, [(chunk.drafts, ids)], now), scopes=chunk.scopes)
    outcomes: list[Accepted | Refusal] = []
    for draft, id_ in zip(chunk.drafts, ids, strict=True):
        try:
            (one,) = admit([draft], [id_], known)
        except Refusal as refusal:
            outcomes.append(refusal.with_traceback(None))  # it would hold all that is known here, and itself
            continue
        outcomes.append(_accept(group, one, chunk.credential, known, _target(one, known)))
        if group.touched.amended:
            tags = set(group.touched.assets)
            group.settle()
            learn_assets(group.tx, group.memory, known.assets, tags)
    group.settle()
    return outcomes


def _unchanged(group: _Group, submission: Submission) -> None:
    """Raises Stale where the caller has not seen the asset as it stands, Unknown where there is none."""
    if submission.unless_changed is None:
        return
    tag, seen = submission.unless_changed
    row = group.memory.asset_rows(group.tx, [tag]).get(tag)
    if row is None:
        raise Unknown(f"no asset {tag!r} is registered here", code="unknown_asset")
    if row.seq != seen:
        raise Stale(f"{tag} has changed since: read it again")


def _record(group: _Group, admitted: Sequence[Admitted], credential: str, known: Known) -> Taken:
    """Keep the entries of one submission; ``known`` learns where each was recorded."""
    recorded: dict[str, Accepted] = {}
    accepted, rebuilds, stirs = [], set[str](), False
    for one in admitted:
        target = _target(one, known)
        if one.id in recorded:
            accepted.append(replace(recorded[one.id], replayed=True))
        else:
            accepted.append(_accept(group, one, credential, known, target))
        recorded[one.id] = accepted[-1]
        rebuild = (target or known.entries[one.id]).rebuild
        rebuilds |= {rebuild} if rebuild else set()
        stirs = stirs or rebuild is None
    return Taken(tuple(accepted), frozenset(rebuilds), stirs)


def _accept(group: _Group, one: Admitted, credential: str, known: Known, target: Entry | None) -> Accepted:
    """Keep an entry that was admitted, or find where it was recorded before."""
    if one.repeats is not None and one.repeats.seq:
        leaf = tree.leaf_hash(canonical(dict(one.repeats.body)))
        return Accepted(one.repeats.seq, one.id, leaf, replayed=True)
    members = {**one.draft.sent, "id": one.id, "credential": credential}
    if one.draft.type == "entry.corrected":
        members["scopes"] = sorted(known.scopes)
    said = one.draft.data if one.draft.as_stored else None
    entry = group.keep(members, one.draft.occurred_at.at, known.now, target, said)
    known.entries[one.id] = entry
    touch(group.touched, entry, target, known.early.get(one.id, ()))
    return Accepted(entry.seq, one.id, group.leaves[-1], replayed=False)


def _target(one: Admitted, known: Known) -> Entry | None:
    """The entry that a correction is about, as far as it is recorded: one that is yet to be written has no place."""
    target = known.entries.get(one.draft.data.entry) if isinstance(one.draft.data, EntryCorrected) else None
    return target if target and target.seq else None


def _standing(group: _Group, taken: Iterable[Taken | Refusal]) -> dict[str, tuple[str, str]]:
    """State and verdict of the rebuilds named, touched or not: a caller who sends again asks this too."""
    named = {rebuild for one in taken if isinstance(one, Taken) for rebuild in one.rebuilds}
    rows = {rebuild: group.memory.work(group.tx, rebuild).row for rebuild in named}
    return {rebuild: (row["state"], row["verdict"]) for rebuild, row in rows.items() if row is not None}


def _follow(group: _Group, now: datetime) -> dict[str, Standing]:
    """Bring the views up to date and write down the judgements that changed.

    Of what this group has marked, some are judged at once; it does not pay for what earlier ones have left.
    """
    standings, left = _judge(group, group.touched.rebuilds, now), MOST_JUDGED
    while group.memory.stirred and left > 0 and (waiting := group.memory.waiting(group.tx, left)):
        standings |= _judge(group, waiting, now, afresh=True)
        left -= len(waiting)
    return standings


def _judge(group: _Group, rebuilds: Collection[str], now: datetime, *, afresh: bool = False) -> dict[str, Standing]:
    """Judge these rebuilds again, the earlier of an asset first, and keep what belongs into the ledger."""
    tx, memory, touched, through = group.tx, group.memory, group.touched, group.size
    standings = {}
    anew = set(rebuilds) if afresh else touched.afresh.intersection(rebuilds)
    memory.forget_works(anew)  # before they are put in order: it is by their openings, which may be corrected
    for rebuild in oldest_first(tx, memory, rebuilds, touched.rebuilds):
        standing = refresh_rebuild(tx, memory, rebuild, touched.rebuilds.get(rebuild, []), afresh=False)
        standings[rebuild] = standing
        if rebuild in anew:
            views.unmark(tx, memory.code, rebuild)
        if standing.news:
            group.keep(judged_entry(memory.code, standing, through, now), now, now)
    memory.write_rebuilds(tx)
    group.flush()
    return standings


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


def _extend_tree(group: _Group, size_before: int) -> bytes:
    """Add the new leaves, move the head; the new root."""
    edge = group.memory.edge(group.tx, size_before)
    if group.size == size_before:
        return tree.root(edge)
    appended = tree.append(edge, group.leaves)
    nodes.write_nodes(group.tx, group.memory.code, appended.nodes)
    root = tree.root(appended.edge)
    stored.move_head(group.tx, group.memory.code, group.size, root, group.recorded_us)
    group.memory.moved((group.size, root, group.turn + 1), appended.edge)
    return root


def open_facility(store: Store, opened: FacilityOpened, clock: Clock) -> Receipt:
    """Write entry 1 of a new ledger.

    Raises:
        Contradiction: there is a facility with this code.
    """
    now, memory = clock(), Memory(opened.code)
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
        group = _Group(tx, memory, 0, 0, 0)
        entry = group.keep(members, now, now)
        touch(group.touched, entry)
        group.settle()
        _follow(group, now)
        root = _extend_tree(group, 0)
    return Receipt((Accepted(1, entry.id, group.leaves[0], replayed=False),), group.size, root)
