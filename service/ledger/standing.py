"""How a rebuild stands: judged again, its view written, and what that changes for its asset passed on."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import orjson
from sqlalchemy import Connection

from service.checks.pressure_per_turn import adjustments
from service.checks.turns import engaged
from service.entries.words import microseconds
from service.entries.work import SettingAdjusted
from service.ledger.duelist import refresh_due
from service.ledger.entry import Entry
from service.ledger.gather import gather, joined
from service.ledger.judge import UNJUDGED, Judgement, judge
from service.ledger.memory import Memory
from service.ledger.read_views import adjusted_text, stem_text
from service.ledger.rebuild import Folded
from service.ledger.remembered import Work
from service.store import views
from service.store.devices import rebuilds_of_device


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


def refresh_rebuild(tx: Connection, memory: Memory, rebuild: str, new: Sequence[Entry], *, afresh: bool) -> Standing:
    """Judge a rebuild again and write its view.

    Args:
        tx: the transaction of the entries that touched it; they are written.
        memory: what the writer remembers of the facility.
        rebuild: its id.
        new: the entries that touched it, in order.
        afresh: read and fold it all again: there are corrections among them, or what it is judged by has changed.
    """
    if afresh:
        memory.forget_works([rebuild])
    work = memory.work(tx, rebuild)
    before, judged_before, used_before = work.row, work.judgement, work.used
    work.take(new)
    job = joined(tx, memory, work)
    if job is not None:
        judgement = judge(job, judged_before, {entry.type for entry in new})
    else:
        memory.write_rebuilds(tx)
        job = gather(tx, memory, rebuild, work)
        judgement = judge(job) if job else UNJUDGED
    recorded = before["judged_digest"] if before else None
    news = (recorded is not None or judgement.state == "closed") and judgement.digest != recorded
    work.job, work.judgement = job, judgement
    work.row = _row(memory.code, rebuild, work)
    work.row["first_seq"] = before["first_seq"] if before else min((entry.seq for entry in new), default=work.last_seq)
    work.row["judged_digest"] = judgement.digest if news else recorded
    other_tools = judged_before is None or work.used != used_before  # just read from the entries, it may lack some
    if other_tools or _differ(before, work.row, *_TELLING):
        memory.write_rebuilds(tx)
        views.put_rebuild(tx, work.row, sorted(work.used) if other_tools else None)
        for asset in {work.row["asset"], before["asset"] if before else None} - {None}:
            _pass_on(tx, memory, str(asset), before, work.row)
    else:
        memory.write_later(work.row)
    return Standing(rebuild, work.row["asset"], judgement, news, _changed(before, judged_before, judgement))


def _changed(
    before: Mapping[str, Any] | None, judged: Judgement | None, judgement: Judgement
) -> tuple[dict[str, Any], ...]:
    """Findings that were not there, or said something else."""
    if judged is not None:
        known = set(map(id, judged.findings))
        new = [finding for finding in judgement.findings if id(finding) not in known]
        told = {(finding.check, finding.subject): finding for finding in judged.findings} if new else {}
        return tuple(one.shown() for one in new if told.get((one.check, one.subject)) != one)
    shown = {(one["check"], one["subject"]): one for one in (orjson.loads(before["findings"]) if before else ())}
    return tuple(one for one in judgement.shown() if shown.get((one["check"], one["subject"])) != one)


def _pass_on(
    tx: Connection, memory: Memory, asset: str, before: Mapping[str, Any] | None, row: Mapping[str, Any]
) -> None:
    """What a change in a rebuild changes for its asset."""
    if _differ(before, row, *_STEM):
        _mark_later(tx, memory, asset, before, row)
    if _differ(before, row, *_SERVICE):
        _refresh_service_state(tx, memory, asset)
    if _differ(before, row, *_ANCHOR):
        memory.resets.pop(asset, None)
        refresh_due(tx, memory, [asset])


_STEM = ("asset", "serial", "opened_us", "stem", "adjusted")
_SERVICE = ("asset", "in_service", "service_us")
_ANCHOR = ("asset", "procedure", "revision", "verdict", "outcome", "closed_us")
_TELLING = tuple({*_STEM, *_SERVICE, *_ANCHOR, "judged_digest"})
"""What others read of a rebuild; the rest of its view is read by callers alone."""


def _differ(before: Mapping[str, Any] | None, row: Mapping[str, Any], *names: str) -> bool:
    return any((before[name] if before else None) != row[name] for name in names)


def oldest_first(
    tx: Connection, memory: Memory, rebuilds: Iterable[str], new: Mapping[str, Sequence[Entry]]
) -> list[str]:
    """An earlier rebuild is judged before a later one of its asset, which looks back on it.

    ``new`` are the entries that touched them, and may be what opens them.
    """

    def opened(rebuild: str) -> tuple[int, str]:
        known = memory.work(tx, rebuild).folded.opening
        openings = [known.at] if known else [one.occurred_at for one in new.get(rebuild, ()) if one.type == _OPENING]
        return (microseconds(openings[0]) if openings else 0, rebuild)

    return sorted(rebuilds, key=opened)


_OPENING = "rebuild.opened"


def _row(facility: str, rebuild: str, work: Work) -> dict[str, Any]:
    folded, judgement = work.folded, work.judgement or UNJUDGED
    opening, closing = folded.opening, folded.closing
    in_service, service_us = _service_state(folded)
    return {
        "facility": facility,
        "rebuild": rebuild,
        "asset": opening.asset if opening else None,
        "serial": work.job.register.serial if work.job else None,
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
        "stem": stem_text(engaged(work.job)) if work.job else None,
        "adjusted": adjusted_text(adjustments(folded.facts.of(SettingAdjusted))),
        "findings": judgement.text,
        "seq": work.last_seq,
    }


def _service_state(folded: Folded) -> tuple[bool | None, int | None]:
    """Did this rebuild leave its asset in service, and since when? The last isolation, restoring or closing says."""
    telling = folded.facts.of_type("bank.isolated", "bank.restored", "rebuild.closed")
    for fact in reversed(telling):
        outcome = getattr(fact.data, "outcome", None)
        if outcome != "aborted":
            return fact.type == "bank.restored" or outcome == "returned_to_service", microseconds(fact.at)
    return None, None


def _mark_later(
    tx: Connection, memory: Memory, asset: str, before: Mapping[str, Any] | None, row: Mapping[str, Any]
) -> None:
    """Rebuilds of the device later than this one is or was: they look back on how it left the stem, or no longer do."""
    since = min((before and before["opened_us"]) or row["opened_us"] or 0, row["opened_us"] or 0)
    serials = {each["serial"] for each in (before, row) if each}
    later = {
        other.rebuild
        for serial in serials
        for other in rebuilds_of_device(tx, memory.code, asset, serial)
        if other.rebuild != row["rebuild"] and other.opened_us >= since
    }
    memory.mark(tx, sorted(later))


def _refresh_service_state(tx: Connection, memory: Memory, asset: str) -> None:
    telling = [row for row in views.rebuilds_of(tx, memory.code, asset) if row.service_us is not None]
    latest = max(telling, key=lambda row: (row.service_us, row.rebuild), default=None)
    views.set_out_of_service(tx, memory.code, asset, out=latest is not None and not latest.in_service)
    memory.forget_asset_row(asset)
