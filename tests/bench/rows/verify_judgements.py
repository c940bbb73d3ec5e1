"""Every judgement in an export given again from the entries, in two processes.

Measures: ``rejudge`` on an export whose log was verified already: rebuilds of 60 entries each, two of them corrections.
Against: nothing; it is an absolute figure.
To reach: 1,000 rebuilds a second on two cores.
"""

from __future__ import annotations

import copy
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager

from service.ledger.export_format import read_header
from service.ledger.verify_judged import rejudge
from service.ledger.verify_log import verify_log
from service.merkle.checkpoint import open_checkpoint
from tests.bench.exported import exported
from tests.bench.frame import Contender, Figure, Row, Sample, Setting

_JUDGED = "judged again, two processes"


@contextmanager
def _contenders(setting: Setting) -> Iterator[Mapping[str, Contender]]:
    file = exported(setting, "judged")
    with file.open("rb") as opened:
        header = read_header(opened)
    checkpoint = open_checkpoint(header.note, header.keys).checkpoint
    checked = verify_log(file, header, checkpoint, 2, lambda _what, _done, _whole: None)

    def judged() -> Sample:
        index = copy.deepcopy(checked.index)  # the corrections are put into it
        begun = time.perf_counter()
        told = rejudge(
            file, header.length, header.facility, index, 2, lambda _what, _done, _whole: None, withheld=False
        )
        taken = time.perf_counter() - begun
        if told.wrong or not told.judged:
            raise AssertionError(str(told.wrong[:1]))
        return Sample(told.judged / taken, taken / told.judged, taken / told.judged)

    yield {_JUDGED: judged}


ROW = Row(
    "verify judgements",
    "Rebuilds of 60 entries judged again from an export; rate in rebuilds.",
    _contenders,
    lambda _: [Figure("rebuilds a second", lambda seen: seen[_JUDGED].rate, at_least=1_000)],
)
