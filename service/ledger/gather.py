"""Put together the job that is to be judged, from what the writer remembers and the store."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from pydantic import BaseModel
from sqlalchemy import Connection

from service.checks.job import Earlier, Fact, Job
from service.entries.words import instant, microseconds
from service.ledger.entry import read_all
from service.ledger.memory import Memory
from service.ledger.read_views import adjusted_of, stem_of
from service.ledger.rebuild import fold
from service.ledger.register import ASSET_TYPES, Asset, fold_asset, while_in_place
from service.ledger.remembered import Work
from service.store import entries as stored
from service.store.devices import rebuilds_of_device


def joined(tx: Connection, memory: Memory, work: Work) -> Job | None:
    """The job as it stood, with the facts there are now; None where it was not put together before."""
    job = work.job
    if job is None:
        return None
    instruments = job.instruments
    if missing := [name for name in work.used if name not in instruments]:
        instruments = {**instruments, **memory.instruments(tx, missing)}
    return job.grown(work.folded.facts, instruments)


def gather(tx: Connection, memory: Memory, rebuild: str, work: Work) -> Job | None:
    """Everything the checks may look at for this rebuild; None until it is known by which procedure to judge it."""
    folded = work.folded
    opening = folded.opening
    if opening is None or opening.asset is None:
        return None
    procedure = memory.procedure(tx, opening.data.procedure, opening.data.revision)
    asset = asset_at(tx, memory, opening.asset, opening.at)
    if procedure is None or asset is None:
        return None
    return Job(
        procedure=procedure,
        register=asset.register,
        facts=folded.facts,
        instruments=memory.instruments(tx, work.used),
        corrections=folded.holding,
        earlier=_earlier(tx, memory.code, opening, rebuild, asset.register.serial),
        between=between(tx, memory.code, opening.asset, asset.register.serial),
        zone=memory.facility(tx).zone_at(opening.at),
    )


def asset_at(tx: Connection, memory: Memory, tag: str, at: datetime) -> Asset | None:
    """The register as it stood then; as first registered if that was later."""
    row = memory.asset_rows(tx, [tag]).get(tag)
    if row is None:
        return None
    if row.changed_us <= microseconds(at):
        return memory.assets(tx, [tag])[tag]
    return fold_asset(tag, read_all(stored.of_asset(tx, memory.code, tag, ASSET_TYPES)), at)


def _earlier(
    tx: Connection, facility: str, opening: Fact[Any], rebuild: str, serial: str | None
) -> tuple[Earlier, ...]:
    """Rebuilds of the same device opened before this one, wherever it was then, oldest first."""
    mine = (microseconds(opening.at), rebuild)
    return tuple(
        Earlier(row.rebuild, instant(row.opened_us), stem_of(row.stem), adjusted_of(row.adjusted))
        for row in rebuilds_of_device(tx, facility, str(opening.asset), serial)
        if row.rebuild != rebuild and (row.opened_us, row.rebuild) < mine
    )


def between(tx: Connection, facility: str, asset: str, serial: str | None) -> tuple[Fact[BaseModel], ...]:
    """Adjustments made outside any rebuild while this device was in the position."""
    found = stored.of_asset(tx, facility, asset, ("setting.adjusted",), outside_rebuilds=True)
    facts = tuple(fold(read_all(found)).facts)
    if not facts:
        return ()
    register = read_all(stored.of_asset(tx, facility, asset, ASSET_TYPES))
    return while_in_place(facts, asset, register, serial)
