"""What callers are told: the views and entries, as the wire shows them. Read only."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from typing import Any

import orjson
from sqlalchemy import Connection, Row

from service.checks.catalogue import CHECKS, EDITION
from service.checks.sockets import fits
from service.entries.quantity import Length
from service.entries.refusals import Unknown
from service.entries.words import instant
from service.ledger import attachments, concessions
from service.ledger.entry import Entry, read_all, rfc3339
from service.ledger.rebuild import Folded, fold
from service.merkle import tree
from service.store import entries as stored
from service.store import views


def entry_page(
    tx: Connection, facility: str, after: int, limit: int, **wanted: str | None
) -> tuple[list[dict[str, Any]], int | None]:
    """Recorded entries in order, each with its leaf hash and the corrections to it; and the next ``after``."""
    found = stored.page(tx, facility, after, limit + 1, **wanted)
    more, found = len(found) > limit, found[:limit]
    bodies = [(orjson.loads(text), text) for _, text in found]
    corrections: dict[str, list[str]] = {}
    for entry in read_all(stored.corrections_of(tx, facility, [body["id"] for body, _ in bodies])):
        corrections.setdefault(str(entry.data["entry"]), []).append(entry.id)
    items = [
        {**body, "leaf_hash": tree.leaf_hash(text.encode()).hex(), "corrected_by": corrections.get(body["id"], [])}
        for body, text in bodies
    ]
    return items, found[-1][0] if more else None


def asset(row: Row[Any]) -> dict[str, Any]:
    """An asset's register."""
    return {
        "tag": row.tag,
        **orjson.loads(row.body),
        "retired": bool(row.retired),
        "out_of_service": bool(row.out_of_service),
        "seq": row.seq,
    }


def one_asset(tx: Connection, facility: str, tag: str) -> dict[str, Any]:
    """An asset's register by its tag. Raises Unknown."""
    row = views.assets_by_tag(tx, facility, [tag]).get(tag)
    if row is None:
        raise Unknown(f"no asset {tag!r} is registered here", code="unknown_asset")
    return asset(row)


def assets(
    tx: Connection, facility: str, after: str, limit: int, wanted: dict[str, str | None]
) -> list[dict[str, Any]]:
    """The next assets by tag, one more than asked if there are more."""
    return [asset(row) for row in views.asset_page(tx, facility, after, limit + 1, **wanted)]


def procedures(tx: Connection, facility: str, after: str, limit: int) -> list[dict[str, Any]]:
    """The next procedures by code with their newest revision, one more than asked if there are more."""
    found = views.procedure_page(tx, facility, after, limit + 1)
    return [{"code": code, "revision": revision} for code, revision in found]


def instruments(tx: Connection, facility: str, after: str, limit: int) -> list[dict[str, Any]]:
    """The next instruments by code, one more than asked if there are more."""
    return [instrument(row) for row in views.instrument_page(tx, facility, after, limit + 1)]


def rebuilds(
    tx: Connection, facility: str, after: int, limit: int, wanted: dict[str, str | None]
) -> tuple[list[dict[str, Any]], int | None]:
    """The next rebuilds as first heard of, and the key of the page after."""
    rows = views.rebuild_page(tx, facility, after, limit + 1, **wanted)
    return [rebuild_summary(row) for row in rows[:limit]], rows[limit - 1].first_seq if len(rows) > limit else None


def checks() -> dict[str, Any]:
    """The catalogue of checks."""
    items = [
        {"check": check.name, "decides": check.decides, "formula": check.formula, "source": check.source}
        for check in CHECKS
    ]
    return {"edition": EDITION, "items": items}


def procedure(row: Row[Any], revisions: Sequence[int]) -> dict[str, Any]:
    """A procedure revision as published, which revisions there are, and the sockets its tools call for."""
    body = orjson.loads(row.body)
    return {**body, "tools": [_with_sockets(tool) for tool in body.get("tools", ())], "revisions": list(revisions)}


def one_procedure(tx: Connection, facility: str, code: str, revision: int | None) -> dict[str, Any]:
    """A procedure revision, the newest if none is named. Raises Unknown."""
    row = views.procedure(tx, facility, code, revision)
    if row is None:
        what = f"procedure {code!r}" + (f" revision {revision}" if revision else "")
        raise Unknown(f"no {what} is published here", code="unknown_procedure")
    return procedure(row, views.revisions(tx, facility, [code])[code])


def _with_sockets(tool: dict[str, Any]) -> dict[str, Any]:
    """The tool with the sockets that fit its across-flats size, in either system."""
    if "across_flats" not in tool:
        return tool
    return {**tool, "sockets": fits(Length.model_validate(tool["across_flats"])).shown()}


def instrument(row: Row[Any]) -> dict[str, Any]:
    """An instrument with its certificates and events."""
    body = orjson.loads(row.body)
    events = [{"occurred_at": rfc3339(instant(event["at_us"])), **event["data"]} for event in body["events"]]
    return {**body["instrument"], "calibrations": body["calibrations"], "events": events, "seq": row.seq}


def one_instrument(tx: Connection, facility: str, name: str) -> dict[str, Any]:
    """An instrument by its code. Raises Unknown."""
    row = views.instruments_by_name(tx, facility, [name]).get(name)
    if row is None:
        raise Unknown(f"no instrument {name!r} is registered here", code="unknown_instrument")
    return instrument(row)


def rebuild_summary(row: Row[Any]) -> dict[str, Any]:
    """A rebuild in a list."""
    return {
        "id": row.rebuild,
        "asset": row.asset,
        "procedure": {"code": row.procedure, "revision": row.revision} if row.procedure else None,
        "state": row.state,
        "verdict": row.verdict,
        "outcome": row.outcome,
        "edition": row.edition,
        "opened_at": rfc3339(instant(row.opened_us)) if row.opened_us is not None else None,
        "closed_at": rfc3339(instant(row.closed_us)) if row.closed_us is not None else None,
    }


def one_rebuild(tx: Connection, facility: str, rebuild: str) -> dict[str, Any]:
    """Everything about a rebuild: findings, facts as they hold and as recorded, corrections, what was judged when.

    Raises:
        Unknown: no entry has named it.
    """
    row = views.rebuild(tx, facility, rebuild)
    if row is None:
        raise Unknown("no entry has named this rebuild", code="unknown_rebuild")
    entries = read_all(stored.of_rebuild(tx, facility, rebuild))
    folded = fold(entries)
    findings = orjson.loads(row.findings)
    facts = _facts(entries, folded)
    attachments.beside(tx, facility, facts)
    return {
        **rebuild_summary(row),
        "findings": [{**finding, "accepted": concessions.beside(finding, folded)} for finding in findings],
        "concessions": concessions.concessions(entries, folded, findings),
        "facts": facts,
        "corrections": _corrections(folded),
        "judged": [_judged(entry, folded) for entry in read_all(stored.judgements(tx, facility, rebuild))],
        "seq": row.seq,
    }


def digest(shown: dict[str, Any]) -> str:
    """Changes whenever the answer does."""
    return hashlib.sha256(orjson.dumps(shown)).hexdigest()[:32]


def _facts(entries: Iterable[Entry], folded: Folded) -> list[dict[str, Any]]:
    """Each entry as recorded; where a correction holds, what holds instead; where it came late, by how much."""
    holding = {fact.id: fact for fact in folded.facts}
    closing = next((entry for entry in entries if folded.closing and entry.id == folded.closing.id), None)
    shown = []
    for entry in sorted(entries, key=lambda entry: entry.order):
        if entry.type == "entry.corrected":
            continue
        members = {name: entry.body.get(name) for name in _FACT_MEMBERS}
        fact = holding.get(entry.id)
        holds = fact and {"occurred_at": rfc3339(fact.at), "by": fact.by, "data": _plain(fact.data)}
        shown.append(
            {
                **members,
                "withdrawn": entry.id in folded.withdrawn,
                "holds_instead": holds if _corrected(entry, folded) else None,
                "late_by": _late(entry, closing, folded),
            }
        )
    return shown


_FACT_MEMBERS = (
    "id", "seq", "type", "asset", "occurred_at", "recorded_at", "by", "credential", "data", "attachments",
)  # fmt: skip


def _plain(data: Any) -> Any:
    return orjson.loads(orjson.dumps(data.model_dump(exclude_unset=True)))


def _corrected(entry: Entry, folded: Folded) -> bool:
    return entry.id not in folded.withdrawn and any(
        correction.holds and correction.target == entry.id for correction in folded.corrections
    )


def _late(entry: Entry, closing: Entry | None, folded: Folded) -> str | None:
    """How long after the closing an entry arrived that had happened before it."""
    if closing is None or folded.closing is None or entry.seq <= closing.seq or entry.occurred_at > folded.closing.at:
        return None
    seconds = int((datetime.fromisoformat(entry.recorded_at) - folded.closing.at) / timedelta(seconds=1))
    days, rest = divmod(max(seconds, 0), 86_400)
    return (f"P{days}D" if days else "P") + f"T{rest // 3600}H{rest % 3600 // 60}M{rest % 60}S"


def _corrections(folded: Folded) -> list[dict[str, Any]]:
    return [
        {
            "id": one.entry.id,
            "seq": one.entry.seq,
            "entry": one.target,
            "reason": one.entry.data["reason"],
            "occurred_at": one.entry.body["occurred_at"],
            "recorded_at": one.entry.recorded_at,
            "by": one.entry.body.get("by"),
            "withdrawn": bool(one.entry.data.get("withdrawn")),
            "replacement": one.entry.data.get("replacement"),
            "holds": one.holds,
            "why_not": one.why_not,
        }
        for one in folded.corrections
    ]


def _judged(entry: Entry, folded: Folded) -> dict[str, Any]:
    data = entry.data
    return {
        "seq": entry.seq,
        "recorded_at": entry.recorded_at,
        "edition": data["edition"],
        "state": data["state"],
        "verdict": data["verdict"],
        "through": data["through"],
        "findings": data["findings"],
        "accepted": concessions.of_judged(data["findings"], folded),
    }
