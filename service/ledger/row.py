"""The row an entry is kept in: the columns beside its text are for finding it, and follow from it. Pure."""

from __future__ import annotations

from typing import Any

from service.entries.words import Moment, microseconds
from service.ledger.entry import Entry
from service.ledger.follow import subject_of


def row_of(
    facility: str, entry: Entry, text: str, target: Entry | None = None, recorded_us: int | None = None
) -> dict[str, Any]:
    """The row of an entry.

    Args:
        facility: code of the facility.
        entry: the entry.
        text: its canonical text.
        target: for a correction, what it corrects, if that was there before it: it stands where its target does.
        recorded_us: its ``recorded_at`` in microseconds, where that is at hand.
    """
    placed = target or entry
    return {
        "facility": facility,
        "seq": entry.seq,
        "id": entry.id,
        "type": entry.type,
        "asset": placed.asset,
        "rebuild": placed.rebuild,
        "subject": subject_of(entry.type, entry.data),
        "corrects": target_of(entry),
        "occurred_us": microseconds(entry.occurred_at),
        "recorded_us": microseconds(Moment(entry.recorded_at).at) if recorded_us is None else recorded_us,
        "body": text,
    }


def target_of(entry: Entry) -> str | None:
    """The id of the entry that a correction is about."""
    return str(entry.data["entry"]) if entry.type == "entry.corrected" else None
