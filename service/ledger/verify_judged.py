"""Every judgement in an export, given again from the entries alone.

A judgement by another edition of the checks than this reader's is counted and left as it is. Where contents are
withheld, one that comes out otherwise may rest on them: it is counted too, and not called wrong.
"""

from __future__ import annotations

import mmap
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

import orjson

from service.checks.catalogue import EDITION
from service.ledger.difference import first_difference, said
from service.ledger.entry import Entry
from service.ledger.hands import spread
from service.ledger.judge import UNJUDGED, judge
from service.ledger.verify_facts import Bench, House, Piece, Register
from service.ledger.verify_line import MOST_WRONG, Wrong
from service.ledger.verify_log import Part, Progress, cut
from service.ledger.verify_pages import Pages
from service.ledger.verify_pieces import moved_in, tasks_of, text_at
from service.ledger.verify_stretch import Index, asset_in, ids_in


@dataclass
class Rejudged:
    """How many judgements were given again, how many could not be, and what differs."""

    judged: int = 0
    other_editions: dict[str, int] = field(default_factory=dict)
    unsettled: int = 0
    """They come out otherwise, and contents are withheld."""
    wrong: list[Wrong] = field(default_factory=list)

    def take(self, other: Rejudged) -> None:
        """Add the judgements of another piece."""
        self.judged += other.judged
        self.unsettled += other.unsettled
        for edition, count in other.other_editions.items():
            self.other_editions[edition] = self.other_editions.get(edition, 0) + count
        self.wrong += other.wrong


def rejudge(
    path: Path, start: int, facility: str, index: Index, hands: int, progress: Progress, *, withheld: bool
) -> Rejudged:
    """Give every judgement again.

    Args:
        path: of an export whose log is in order.
        start: where its entries begin.
        facility: code of the facility.
        index: where the entries stand.
        hands: how many processes share the work.
        progress: told how many judgements are done.
        withheld: contents are left out.
    """
    told = Rejudged()
    with path.open("rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as data:
        if index.corrections:
            _place_corrections(path, start, facility, data, index, hands)
        register, moved = _register(data, index), moved_in(data, index)
    for one in spread(_rejudge, tasks_of(index, moved), hands, first=_begin, told=(path, register, withheld)):
        told.take(one)
        progress("judgements", told.judged + told.unsettled + sum(told.other_editions.values()), index.judgements)
        if len(told.wrong) >= MOST_WRONG:
            break
    told.wrong = [_numbered(path, wrong, start) for wrong in told.wrong[:MOST_WRONG]]
    return told


def _place_corrections(path: Path, start: int, facility: str, data: mmap.mmap, index: Index, hands: int) -> None:
    """Put each correction beside what it corrects: it need not say to which rebuild or asset that belongs."""
    by_target: dict[bytes, list[int]] = {}
    for place in index.corrections:
        by_target.setdefault(orjson.loads(text_at(data, place))["data"]["entry"].encode(), []).append(place)
    work = partial(_find, facility, frozenset(by_target))
    for found in spread(work, cut(path, start), hands):
        for id_, place in found:
            _join(index, text_at(data, place), by_target[id_])


def _find(facility: str, wanted: frozenset[bytes], part: Part) -> list[tuple[bytes, int]]:
    return [(id_, place) for id_, place in ids_in(part.read(), part.start, facility) if id_ in wanted]


def _join(index: Index, target: bytes, corrections: Sequence[int]) -> None:
    body = orjson.loads(target)
    if "rebuild" in body:
        index.rebuilds[body["rebuild"].encode()].extend(corrections)
    elif body["type"].startswith("asset.") or body["type"] == "setting.adjusted":
        index.assets[asset_in(target)].extend(corrections)
    elif body["type"].startswith(("facility.", "instrument.")):
        index.register.extend(corrections)


def _register(data: mmap.mmap, index: Index) -> Register:
    """Sort what is about the facility, procedures and instruments; corrections stand after what they correct."""
    register, homes = Register(), dict[str, list[int]]()
    for place in index.register:
        body = orjson.loads(text_at(data, place))
        match body["type"].partition(".")[0]:
            case "facility":
                homes[body["id"]] = register.facility
            case "instrument":
                homes[body["id"]] = register.instruments.setdefault(body["data"]["instrument"], [])
            case "procedure":
                register.procedures.setdefault((body["data"]["code"], body["data"]["revision"]), place)
                continue
            case _:
                body["id"] = body["data"]["entry"]
        homes[body["id"]].append(place)
    return register


_desk: dict[str, Any] = {}
"""What a process keeps between tasks: the file, the house, and whether contents are withheld."""


def _begin(path: Path, register: Register, withheld: bool) -> None:  # noqa: FBT001 - handed over by place
    file = path.open("rb")  # it stays open as long as the process works on it
    pages = Pages(mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ))
    file.close()
    _desk.update(pages=pages, house=House(pages, register), withheld=withheld)


def _rejudge(task: Iterable[Piece]) -> Rejudged:
    told = Rejudged()
    for piece in task:
        bench = Bench(_desk["house"], _desk["pages"], piece)
        for entry in bench.judgements:
            _rejudge_one(bench, entry, told, withheld=_desk["withheld"])
    return told


def _rejudge_one(bench: Bench, entry: Entry, told: Rejudged, *, withheld: bool) -> None:
    edition = str(entry.data.get("edition"))
    if edition != EDITION:
        told.other_editions[edition] = told.other_editions.get(edition, 0) + 1
        return
    apart = _apart(bench, entry)
    if apart is None:
        told.judged += 1
    elif withheld:
        told.unsettled += 1
    else:
        told.judged += 1
        told.wrong.append(Wrong(apart[1], None, entry.seq, apart[0]))


def _apart(bench: Bench, entry: Entry) -> tuple[str, str] | None:
    """In which member the judgement is another, and how."""
    through = entry.data.get("through")
    if not isinstance(through, int) or not 0 < through < entry.seq:
        return "/data/through", f"{through!r}, where it can only rest on entries before it"
    try:
        job = bench.job(str(entry.rebuild), through)
        judgement = judge(job) if job else UNJUDGED
    except Exception as trouble:  # noqa: BLE001 - entries that no service of ours would have taken
        return "/data", f"it cannot be given again: {type(trouble).__name__}: {trouble}"
    again = orjson.dumps(judgement.data | {"through": through}, option=orjson.OPT_SORT_KEYS)
    if again == orjson.dumps(entry.data, option=orjson.OPT_SORT_KEYS):  # nearly always, and far quicker
        return None
    found = first_difference(orjson.loads(again), entry.data, "/data")
    if found is None:
        return None
    member, one, other = found
    return member, f"{said(other)} was recorded; from the entries up to {through} follows {said(one)}"


def _numbered(path: Path, wrong: Wrong, start: int) -> Wrong:
    """With its line: all above the entries, and one for each entry."""
    with path.open("rb") as file:
        above = file.read(start).count(b"\n")
    return Wrong(wrong.says, above + (wrong.seq or 0), wrong.seq, wrong.member)
