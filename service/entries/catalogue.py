"""Every entry type: its model, the scope that may record it, and what it is about."""

from __future__ import annotations

from typing import Literal, NamedTuple

from pydantic import BaseModel

from service.entries import asset, facility, instrument, judgement, procedure, work

Scope = Literal["read", "record", "publish", "countersign", "admin"]
SCOPES: tuple[Scope, ...] = ("read", "record", "publish", "countersign", "admin")
About = Literal["none", "asset", "asset, rebuild if any", "rebuild", "target"]


class EntryType(NamedTuple):
    """One row of the catalogue; ``scope`` None: the server alone writes it."""

    name: str
    data: type[BaseModel]
    scope: Scope | None
    about: About
    after_closing: bool = False
    """May happen after its rebuild was closed."""
    corrigible: bool = True
    """May be corrected by a later entry."""


ENTRY_TYPES: dict[str, EntryType] = {
    row.name: row
    for row in (
        EntryType("facility.opened", facility.FacilityOpened, None, "none", corrigible=False),
        EntryType("facility.amended", facility.FacilityAmended, "admin", "none"),
        EntryType("ledger.restored", facility.LedgerRestored, None, "none", corrigible=False),
        EntryType("asset.registered", asset.AssetRegistered, "admin", "asset"),
        EntryType("asset.amended", asset.AssetAmended, "admin", "asset"),
        EntryType("asset.exchanged", asset.AssetExchanged, "admin", "asset"),
        EntryType("asset.retired", asset.AssetRetired, "admin", "asset"),
        EntryType("procedure.published", procedure.ProcedurePublished, "publish", "none", corrigible=False),
        EntryType("instrument.registered", instrument.InstrumentRegistered, "admin", "none"),
        EntryType("instrument.calibrated", instrument.InstrumentCalibrated, "admin", "none"),
        EntryType("instrument.event", instrument.InstrumentEvent, "record", "none"),
        EntryType("meter.read", asset.MeterRead, "record", "asset"),
        EntryType("notice.given", work.NoticeGiven, "record", "asset, rebuild if any", after_closing=True),
        EntryType("rebuild.opened", work.RebuildOpened, "record", "rebuild"),
        EntryType("bank.isolated", work.BankIsolated, "record", "rebuild"),
        EntryType("bank.restored", work.BankRestored, "record", "rebuild"),
        EntryType("pressure.read", work.PressureRead, "record", "rebuild"),
        EntryType("turns.counted", work.TurnsCounted, "record", "rebuild"),
        EntryType("part.removed", work.PartRemoved, "record", "rebuild"),
        EntryType("part.fitted", work.PartFitted, "record", "rebuild"),
        EntryType("lubricant.applied", work.LubricantApplied, "record", "rebuild"),
        EntryType("torque.applied", work.TorqueApplied, "record", "rebuild"),
        EntryType("leak.tested", work.LeakTested, "record", "rebuild"),
        EntryType("lockup.tested", work.LockupTested, "record", "rebuild"),
        EntryType("setting.adjusted", work.SettingAdjusted, "record", "asset, rebuild if any"),
        EntryType("function.tested", work.FunctionTested, "record", "asset, rebuild if any"),
        EntryType("step.done", work.StepDone, "record", "rebuild"),
        EntryType("note.added", work.NoteAdded, "record", "rebuild", after_closing=True),
        EntryType("rebuild.closed", work.RebuildClosed, "record", "rebuild"),
        EntryType("rebuild.countersigned", work.RebuildCountersigned, "countersign", "rebuild", after_closing=True),
        EntryType("finding.accepted", work.FindingAccepted, "countersign", "rebuild", after_closing=True),
        EntryType("entry.corrected", work.EntryCorrected, "record", "target", after_closing=True, corrigible=False),
        EntryType("rebuild.judged", judgement.RebuildJudged, None, "rebuild", after_closing=True, corrigible=False),
    )
}
