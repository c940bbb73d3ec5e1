"""How a rebuild stands: judged again, its view written, and what that changes for its asset passed on."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import orjson
from sqlalchemy import Connection, Row

from service.checks.turns import engaged
from service.entries.words import microseconds
from service.ledger.duelist import refresh_due
from service.ledger.entry import read_all
from service.ledger.gather import Gathered, gather, stem_text
from service.ledger.judge import UNJUDGED, Judgement, judge
from service.ledger.rebuild import fold
from service.ledger.register import Facility
from service.store import entries as stored
from service.store import views


@dataclass(frozen=True, slots=True)
class Standing:
    """How a rebuild stands after new entries."""

    rebuild: str
    asset: str | None
    judgement: Judgement
    news: bool
    """It belongs into the ledger: the rebuild is closed (or was judged before) and this is not what was judged last."""
    changed: tuple[dict[str, Any], ...]
    """Findings that are new or other than before."""


def refresh_rebuild(tx: Connection, facility: Facility, rebuild: str, first_seq: int) -> Standing:
    """Judge a rebuild again and write its view.

    Args:
        tx: the transaction of the entries that touched it.
        facility: whose rebuild it is.
        rebuild: its id.
        first_seq: the first entry that named it, where it is new.
    """
    before = views.rebuild(tx, facility.code, rebuild)
    gathered = gather(tx, facility, rebuild)
    judgement = judge(gathered.job) if gathered.job else UNJUDGED
    recorded = before.judged_digest if before else None
    news = judgement.digest != recorded and (recorded is not None or judgement.state == "closed")
    row = _rebuild_row(facility, rebuild, gathered, judgement)
    row["first_seq"] = before.first_seq if before else first_seq
    row["judged_digest"] = judgement.digest if news else recorded
    views.put_rebuild(tx, row, sorted(gathered.instruments))
    for asset in {row["asset"], before.asset if before else None} - {None}:
        _pass_on(tx, facility, str(asset), before, row)
    known = orjson.loads(before.findings) if before else []
    changed = tuple(found for found in judgement.shown() if found not in known)
    return Standing(rebuild, row["asset"], judgement, news, changed)


def _pass_on(tx: Connection, facility: Facility, asset: str, before: Row[Any] | None, row: Mapping[str, Any]) -> None:
    """What a change in a rebuild changes for its asset."""
    if _differ(before, row, "asset", "serial", "opened_us", "stem"):
        _mark_later(tx, facility, asset, before, row)
    if _differ(before, row, "asset", "in_service", "service_us"):
        _refresh_service_state(tx, facility, asset)
    if _differ(before, row, "asset", "procedure", "revision", "verdict", "outcome", "closed_us"):
        refresh_due(tx, facility, asset)


def _differ(before: Row[Any] | None, row: Mapping[str, Any], *names: str) -> bool:
    return any((getattr(before, name) if before else None) != row[name] for name in names)


def oldest_first(tx: Connection, facility: str, rebuilds: Iterable[str]) -> list[str]:
    """An earlier rebuild is judged before a later one of its asset, which looks back on it."""

    def opened(rebuild: str) -> tuple[int, str]:
        folded = fold(read_all(stored.lifecycle(tx, facility, [rebuild])))
        return (microseconds(folded.opening.at) if folded.opening else 0, rebuild)

    return sorted(rebuilds, key=opened)


def _rebuild_row(facility: Facility, rebuild: str, gathered: Gathered, judgement: Judgement) -> dict[str, Any]:
    opening, closing = gathered.folded.opening, gathered.folded.closing
    in_service, service_us = _service_state(gathered)
    return {
        "facility": facility.code,
        "rebuild": rebuild,
        "asset": opening.asset if opening else None,
        "serial": gathered.asset.register.serial if gathered.asset else None,
        "procedure": opening.data.procedure if opening else None,
        "revision": opening.data.revision if opening else None,
        "state": judgement.state,
        "verdict": judgement.verdict,
        "outcome": closing.data.outcome if closing else None,
        "edition": judgement.edition,
        "opened_us": microseconds(opening.at) if opening else None,
        "closed_us": microseconds(closing.at) if closing else None,
        "in_service": in_service,
        "service_us": service_us,
        "stem": stem_text(engaged(gathered.job)) if gathered.job else None,
        "findings": orjson.dumps(judgement.shown()).decode(),
        "seq": gathered.last_seq,
    }


def _service_state(gathered: Gathered) -> tuple[bool | None, int | None]:
    """Did this rebuild leave its asset in service, and since when? The last isolation, restoring or closing says."""
    telling = gathered.folded.facts.of_type("bank.isolated", "bank.restored", "rebuild.closed")
    for fact in reversed(telling):
        outcome = getattr(fact.data, "outcome", None)
        if outcome != "aborted":
            return fact.type == "bank.restored" or outcome == "returned_to_service", microseconds(fact.at)
    return None, None


def _mark_later(
    tx: Connection, facility: Facility, asset: str, before: Row[Any] | None, row: Mapping[str, Any]
) -> None:
    """Rebuilds of the asset later than this one is or was: they look back, or no longer do, on how it left the stem."""
    since = min((before and before.opened_us) or row["opened_us"] or 0, row["opened_us"] or 0)
    later = (
        other.rebuild
        for other in views.rebuilds_of(tx, facility.code, asset)
        if other.rebuild != row["rebuild"] and other.opened_us >= since
    )
    views.mark(tx, facility.code, later)


def _refresh_service_state(tx: Connection, facility: Facility, asset: str) -> None:
    telling = [row for row in views.rebuilds_of(tx, facility.code, asset) if row.service_us is not None]
    latest = max(telling, key=lambda row: (row.service_us, row.rebuild), default=None)
    views.set_out_of_service(tx, facility.code, asset, out=latest is not None and not latest.in_service)
