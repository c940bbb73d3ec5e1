"""An export's rebuilds in pieces that can be judged apart: in each, all that its rebuilds may look back on. Pure."""

from __future__ import annotations

import mmap
import re
from array import array
from collections.abc import Iterator, Mapping

from service.ledger.verify_facts import Piece
from service.ledger.verify_stretch import Index, Offsets

_REBUILDS_AT_ONCE = 24


def text_at(data: mmap.mmap, place: int) -> bytes:
    """The content of the entry that stands at a place."""
    return data[place : data.find(b"\n", place)]


_SERIAL = re.compile(rb'"serial(?:_in)?":("(?:[^"\\]|\\.)*")')


def moved_in(data: mmap.mmap, index: Index) -> dict[bytes, set[bytes]]:
    """By asset, the others in which one of its devices has been: its rebuilds there are looked back on too."""
    places: dict[bytes, set[bytes]] = {}
    for asset, entries in index.assets.items():
        for place in entries:
            for serial in _SERIAL.findall(text_at(data, place)):
                places.setdefault(serial, set()).add(asset)
    moved: dict[bytes, set[bytes]] = {}
    for assets in places.values():
        if len(assets) > 1:
            for asset in assets:
                moved.setdefault(asset, set()).update(assets)
    return moved


def tasks_of(index: Index, moved: Mapping[bytes, set[bytes]]) -> Iterator[list[Piece]]:
    """Pieces, several at a time: as many as make a task worth handing out."""
    task: list[Piece] = []
    for piece in _pieces(index, moved):
        task.append(piece)
        if sum(len(one.rebuilds) for one in task) >= _REBUILDS_AT_ONCE:
            yield task
            task = []
    if task:
        yield task


def _pieces(index: Index, moved: Mapping[bytes, set[bytes]]) -> Iterator[Piece]:
    """Every rebuild, with the assets whose rebuilds it may look back on."""
    of: dict[bytes, list[bytes]] = {}
    for asset, rebuilds in index.opened.items():
        for rebuild in dict.fromkeys(rebuilds):
            of.setdefault(rebuild, []).append(asset)
    done: set[bytes] = set()
    for rebuild in index.rebuilds:
        if rebuild not in done:
            assets, together = _together(rebuild, of, index.opened, moved)
            done |= together
            yield Piece(
                {asset: index.assets.get(asset, _NONE) for asset in assets},
                {one.decode(): index.rebuilds[one] for one in together},
            )


_NONE: Offsets = array("q")


def _together(
    rebuild: bytes,
    of: Mapping[bytes, list[bytes]],
    opened: Mapping[bytes, list[bytes]],
    moved: Mapping[bytes, set[bytes]],
) -> tuple[set[bytes], set[bytes]]:
    """The assets that a rebuild was opened on, those their devices came from, the rebuilds of all these, and so on."""
    assets, rebuilds, waiting = set[bytes](), {rebuild}, [rebuild]
    while waiting:
        on = of.get(waiting.pop(), ())
        for asset in {*on, *(other for one in on for other in moved.get(one, ()))} - assets:
            assets.add(asset)
            new = set(opened.get(asset, ())) - rebuilds
            rebuilds |= new
            waiting += new
    return assets, rebuilds
