"""Judging a rebuild of 60 entries from its entries, no database, no web.

Measures: processor time of ``fold`` and ``judge`` with all checks, on entries already read; with the other bank's gas
content asked for too, the equation of state loaded; and from the canonical texts, and with the judgement written down.
Against: nothing; it is an absolute figure, in processor time, which other work on the machine stretches little.
To reach: 1.0 ms without gas content, 1.3 ms with it, warm.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime
from functools import partial

from service.checks.job import InstrumentRecord, Job
from service.entries.asset import AssetRegistered
from service.entries.instrument import InstrumentCalibrated, InstrumentRegistered
from service.entries.procedure import ProcedurePublished
from service.ledger.entry import Entry, rfc3339
from service.ledger.judge import Judgement, judge
from service.ledger.rebuild import fold
from service.merkle.canonical import canonical
from tests.bench import scene
from tests.bench.frame import Contender, Figure, Row, Sample, Setting, of_times

_ENTRIES, _GAS, _TEXTS, _KEPT = (
    "from entries",
    "with gas content",
    "from canonical texts",
    "from texts, and written down",
)


def _texts() -> list[bytes]:
    """The rebuild as the ledger keeps it."""
    server = {"facility": "bench", "credential": "t-bench", "recorded_at": rfc3339(datetime.now(UTC))}
    return [canonical({**sent, **server, "seq": seq}) for seq, sent in enumerate(scene.rebuild(60), 10)]


def _instruments() -> dict[str, InstrumentRecord]:
    certificates = [InstrumentCalibrated.model_validate(data) for data in scene.CALIBRATIONS]
    return {
        data["instrument"]: InstrumentRecord(
            InstrumentRegistered.model_validate(data).root,
            tuple(one for one in certificates if one.instrument == data["instrument"]),
        )
        for data in scene.INSTRUMENTS
    }


def _judged(
    entries: list[Entry],
    procedure: ProcedurePublished,
    register: AssetRegistered,
    instruments: Mapping[str, InstrumentRecord],
) -> Judgement:
    folded = fold(entries)
    return judge(Job(procedure, register, folded.facts, instruments, folded.holding))


def _timed(work: Callable[[], object], times: int) -> Sample:
    taken = []
    for _ in range(times):
        begun = time.process_time()
        work()
        taken.append(time.process_time() - begun)
    return of_times(taken, sum(taken) / times)


@contextmanager
def _contenders(setting: Setting) -> Iterator[Mapping[str, Contender]]:
    texts = _texts()
    entries = [Entry.read(seq, text) for seq, text in enumerate(texts)]
    procedure = ProcedurePublished.model_validate(scene.PROCEDURE)
    register = AssetRegistered.model_validate(dict(scene.REGISTER)[scene.BANK])
    judged = partial(_judged, procedure=procedure, register=register, instruments=_instruments())
    with_gas = partial(judged, procedure=ProcedurePublished.model_validate(scene.WITH_GAS))
    verdicts = {judged(entries).verdict, with_gas(entries).verdict}
    if (len(entries), verdicts) != (60, {"conforming"}):
        raise AssertionError(f"the scene is not what it should be: {len(entries)} entries, {verdicts}")
    works = {
        _ENTRIES: lambda: judged(entries),
        _GAS: lambda: with_gas(entries),
        _TEXTS: lambda: judged([Entry.read(seq, text) for seq, text in enumerate(texts)]),
        _KEPT: lambda: judged([Entry.read(seq, text) for seq, text in enumerate(texts)]).digest,
    }
    times = 50 if setting.quick else 200
    yield {name: partial(_timed, work, times) for name, work in works.items()}


ROW = Row(
    "judge 60 entries",
    "A closed, conforming rebuild of 60 entries with two corrections, folded and judged; processor time.",
    _contenders,
    lambda _: [
        Figure("folded and judged, from entries", lambda seen: 1000 * seen[_ENTRIES].p50, at_most=1.0, unit=" ms"),
        Figure("the same with gas content, warm", lambda seen: 1000 * seen[_GAS].p50, at_most=1.3, unit=" ms"),
        Figure("the same from canonical texts", lambda seen: 1000 * seen[_TEXTS].p50, unit=" ms"),
        Figure("the same, and written down", lambda seen: 1000 * seen[_KEPT].p50, unit=" ms"),
    ],
)
