"""The power cut: no answer leaves before the sync that covers it, and what was synced is enough.

Shown from a trace of the real process. First the order: a row's page, the commit frame that closes its transaction, the
end of a sync of the log, and only then the answer. Then the cut itself, tried: the trace is played up to a line, writes
that no sync has covered are lost, kept or torn by dice, and the service's promises up to there must hold.

Source of the frame's layout: SQLite, "Database File Format", section 4.1: bytes 4 to 7 of a frame header are not zero
in the frame that commits.
"""

from __future__ import annotations

import re
import shutil
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from random import Random

from tests.faults.clients import FACILITY, load, set_up, until
from tests.faults.databases import Database, sqlite
from tests.faults.invariants import check
from tests.faults.remembered import Remembered
from tests.faults.served import free_port, started
from tests.faults.setting import Figures, Setting
from tests.faults.tracing import Call, calls, traced

CLIENTS = 4
MOST = 150
"""Rounds that make the life longer; a trace of more has no more to tell."""
_FRAME_HEADER = 24
_SECTOR = 512
_UUID = re.compile(rb"[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}")
_ID = re.compile(rb'"seq":\d+,"id":"([0-9a-f-]{36})"')


def cut(setting: Setting) -> Figures:
    """One life under the tracer, ended by SIGKILL; its order shown, then cut at as many lines as there are rounds."""
    figures, remembered, port = Figures(), Remembered(), free_port()
    database = sqlite(setting.folder / "power")
    before, trace = _kept(database, setting.folder / "before"), setting.folder / "trace"
    service = started(database.url, port, setting.folder, traced(trace))
    try:
        service.ready()
        set_up(port, database.token, remembered)
        with load([port], database.token, remembered, CLIENTS, setting.seed):
            until(lambda: len(remembered.submissions) > 40 + 4 * min(setting.rounds, MOST), "some load", 120)
    finally:
        _children_killed(service.pid)
        service.gone(20)
        service.kill()
    life = _Life.read(trace, database)
    figures.add(answers=len(life.answers), syncs=len(life.syncs), acknowledged=len(remembered.acknowledged))
    figures.add(**{"answers shown to follow their sync": life.in_order()})
    _cuts(setting, life, before, remembered, figures)
    return figures


def _kept(database: Database, folder: Path) -> Path:
    shutil.rmtree(folder, ignore_errors=True)
    database.image(folder)
    return folder


def _children_killed(tracer: int) -> None:
    """The service is the tracer's child: the power goes for it first, and the tracer writes down its end."""
    import psutil

    for child in psutil.Process(tracer).children(recursive=True):
        child.kill()


@dataclass
class _Life:
    """What the trace tells."""

    database: Database
    log: str
    files: list[Call] = field(default_factory=list)
    """Writes, truncations and syncs of the database and its log."""
    syncs: list[Call] = field(default_factory=list)
    """Of the log, that succeeded."""
    commits: list[Call] = field(default_factory=list)
    answers: list[tuple[int, set[str]]] = field(default_factory=list)
    """The line at which an answer began to leave, and the ids it acknowledges."""

    @classmethod
    def read(cls, trace: Path, database: Database) -> _Life:
        life = cls(database, f"{database.file}-wal")
        for call in calls(trace):
            life._see(call)
        return life

    def _see(self, call: Call) -> None:
        if call.path in {self.log, str(self.database.file)}:
            self.files.append(call)
            if call.path == self.log and call.name in {"fsync", "fdatasync"} and call.result == 0:
                self.syncs.append(call)
            if call.path == self.log and len(call.data) == _FRAME_HEADER and any(call.data[4:8]):
                self.commits.append(call)
        elif b'"accepted":' in call.data:
            self.answers.append((call.began, {one.decode() for one in _ID.findall(call.data)}))

    def in_order(self) -> int:
        """How many answers there are, each after the sync that covers all it acknowledges."""
        first = self._first_writes({id_ for _, ids in self.answers for id_ in ids})
        begins, written = [call.began for call in self.syncs], [call.began for call in self.commits]
        assert self.answers, "no answer is in the trace"
        for line, ids in self.answers:
            assert ids, f"line {line}: an answer without ids"
            for id_ in ids:
                assert id_ in first, f"line {line}: {id_} is acknowledged, and was never written"
                commit = self.commits[bisect_left(written, first[id_])]
                page = self._page_of(commit)
                sync = self.syncs[bisect_left(begins, page.ended)]
                assert sync.ended < line, f"line {line}: {id_} is acknowledged before line {sync.ended} synced it"
        return len(self.answers)

    def _page_of(self, frame: Call) -> Call:
        """The page that a frame header announces: the write right after it."""
        place = bisect_left(self.files, frame.ended, key=lambda call: call.ended)
        return next(one for one in self.files[place + 1 :] if one.path == self.log and one.name == "pwrite64")

    def _first_writes(self, wanted: set[str]) -> dict[str, int]:
        """By id, the line at which a page with it was first written to the log."""
        first: dict[str, int] = {}
        for call in self.files:
            if call.path == self.log and len(call.data) > _FRAME_HEADER:
                for id_ in {one.decode() for one in _UUID.findall(call.data)} & wanted:
                    first.setdefault(id_, call.began)
        return first

    def acknowledged_by(self, line: int) -> set[str]:
        """Ids whose answer had begun to leave."""
        return {id_ for began, ids in self.answers if began < line for id_ in ids}


def _cuts(setting: Setting, life: _Life, before: Path, remembered: Remembered, figures: Figures) -> None:
    for number in range(setting.rounds):
        dice = setting.dice("power", number)
        line = dice.choice(life.files).ended + dice.choice((0, 1))
        image = setting.folder / "cut"
        shutil.rmtree(image, ignore_errors=True)
        shutil.copytree(before, image)
        lost = _played(life, line, image, dice)
        file = image / str(life.database.file.name if life.database.file else "")
        promised = _promised(remembered, life.acknowledged_by(line))
        found = check(f"sqlite:///{file}", FACILITY, promised, views=number % 10 == 0)
        figures.add("cuts", **{"writes not synced at a cut": lost, "open and recorded": found.kept})
        setting.progress(figures)


def _played(life: _Life, line: int, image: Path, dice: Random) -> int:
    """What the disk holds after a cut at this line; how many writes no sync had covered."""
    open_: dict[str, list[Call]] = {}
    for call in life.files:
        if call.ended >= line:
            break
        if call.name in {"fsync", "fdatasync"}:
            covered = [one for one in open_.get(call.path, []) if one.ended < call.began]
            _write(image, covered)
            open_[call.path] = [one for one in open_.get(call.path, []) if one.ended >= call.began]
        elif call.result >= 0:
            open_.setdefault(call.path, []).append(call)
    for waiting in open_.values():
        _write(image, [one for one in waiting if dice.random() < 0.6], dice)
    return sum(map(len, open_.values()))


def _write(image: Path, written: Sequence[Call], dice: Random | None = None) -> None:
    """Put writes on the disk; with dice, some only in part."""
    for call in written:
        path = image / Path(call.path).name
        path.touch()
        with path.open("r+b") as file:
            if call.name == "ftruncate":
                file.truncate(call.numbers[0])
                continue
            torn = dice is not None and dice.random() < 0.2
            data = call.data[: dice.randrange(0, len(call.data) + 1, _SECTOR)] if torn and dice else call.data
            file.seek(call.offset)
            file.write(data)


def _promised(remembered: Remembered, acknowledged: set[str]) -> Remembered:
    """What clients had been told by then; the rest of what they ever sent is open."""
    then = Remembered(refused=set(remembered.refused))
    then.acknowledged = {id_: one for id_, one in remembered.acknowledged.items() if id_ in acknowledged}
    settled = {id(one): one for one in [*remembered.submissions, *remembered.open.values()]}
    for entries in settled.values():
        if any(entry["id"] not in acknowledged for entry in entries):
            then.sending(entries)
    return then
