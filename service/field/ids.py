"""Ids for entries that were written down without: the ones the service would derive, had it seen the whole file.

The ordinal that tells identical entries apart is counted over the whole file, so a file sent in parts must be given its
ids first: the second of two identical lines would else be taken for the first one posted again.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

from service.entries.envelope import Draft, derived_id, read_envelope
from service.entries.reading import read_json
from service.entries.refusals import Unreadable
from service.field.receipt import Refused


def identified(
    facility: str, entries: Sequence[Mapping[str, Any]], defaults: Mapping[str, Any] | None = None
) -> list[dict[str, Any]]:
    """The entries with ``defaults`` filled in, each with its id.

    Raises:
        Refused: an entry that cannot be read; the service would say the same.
    """
    filled = [{**(defaults or {}), **entry} for entry in entries]
    drafts = _read(filled)
    seen: Counter[str] = Counter()
    for entry, draft in zip(filled, drafts, strict=True):
        if draft.envelope.id is None:
            content = json.dumps(draft.sent, sort_keys=True)
            entry["id"] = derived_id(facility, draft.sent, seen[content])
            seen[content] += 1
    return filled


def _read(filled: Sequence[Mapping[str, Any]]) -> list[Draft]:
    """Drafts as the service reads them: once through JSON, so that numbers keep the digits that will be sent."""
    try:
        values = read_json(json.dumps(filled).encode())
    except Unreadable as why:
        raise Refused.here(why.faults) from None
    read = [read_envelope(value, f"/entries/{index}") for index, value in enumerate(values)]
    if faults := [fault for draft in read if not isinstance(draft, Draft) for fault in draft]:
        raise Refused.here(faults)
    return [draft for draft in read if isinstance(draft, Draft)]
