"""An operator accepts that a database is older than what its log has signed: said in the ledger, for good."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import Connection

from service.entries.envelope import uuid8
from service.entries.facility import LedgerRestored
from service.entries.refusals import Contradiction, Unknown
from service.entries.words import instant, microseconds
from service.ledger.append import SERVER
from service.ledger.entry import rfc3339
from service.ledger.last_checkpoints import LastCheckpoints, behind
from service.ledger.read_views import facility_of
from service.merkle import tree
from service.merkle.canonical import canonical
from service.merkle.checkpoint import Checkpoint
from service.store import entries as stored
from service.store import tree as nodes
from service.store.engine import Store


def accept_restore(store: Store, last: LastCheckpoints, facility: str, reason: str, now: datetime) -> int:
    """Write down what was signed, what was found and why, then take submissions again; gives the entry's seq.

    A crash between the entry and the forgetting leaves the facility read-only: it is accepted once more.

    Raises:
        Unknown: no such facility.
        Contradiction: there is nothing to accept.
        ValidationError: the reason is none.
    """
    with store.writing() as tx:
        head = stored.lock_head(tx, facility)
        if head is None:
            raise Unknown(f"no facility {facility!r} here", code="unknown_facility")
        origin = facility_of(tx, facility).origin
        signed = last.all().get(origin)
        if signed is None or behind(tx, facility, signed) is None:
            raise Contradiction(f"{facility} holds all that its log has signed", code="nothing_to_accept")
        said = LedgerRestored(
            reason=reason, signed_size=signed.size, signed_root=signed.root.hex(), found_size=head.size
        )
        present = _append(tx, facility, origin, head, said, now)
    last.forget(origin)
    last.remember(present)
    return present.size


def _append(tx: Connection, facility: str, origin: str, head: Any, said: LedgerRestored, now: datetime) -> Checkpoint:
    seq, recorded_us = head.size + 1, max(head.recorded_us, microseconds(now))
    members: dict[str, Any] = {
        "id": uuid8(canonical([facility, seq, said.model_dump()])),
        "type": "ledger.restored",
        "occurred_at": rfc3339(now),
        "data": said.model_dump(),
        "facility": facility,
        "seq": seq,
        "recorded_at": rfc3339(instant(recorded_us)),
        "credential": SERVER,
    }
    text = canonical(members)
    row = {"facility": facility, "seq": seq, "id": members["id"], "type": members["type"], "body": text.decode()}
    row |= {"asset": None, "rebuild": None, "subject": None, "corrects": None}
    stored.write(tx, [row | {"occurred_us": microseconds(now), "recorded_us": recorded_us}])
    edge = tree.read_edge(head.size, lambda positions: nodes.read_nodes(tx, facility, positions))
    grown = tree.append(edge, [tree.leaf_hash(text)])
    nodes.write_nodes(tx, facility, grown.nodes)
    root = tree.root(grown.edge)
    stored.move_head(tx, facility, seq, root, recorded_us)
    return Checkpoint(origin, seq, root)
