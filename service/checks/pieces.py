"""The pieces of one kit part as the record moves them: which are in place and which are out, at the end of it.

At the start as many old pieces are in place as the kit says, untouched. Then, in the order it happened (common
practice, no published source):

- taking out takes an old piece first, then a new one;
- fitting new puts a new piece in;
- fitting one that is not new puts back a piece that was taken out: a new one if any was, else an old one.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import NamedTuple

from service.checks.job import Fact
from service.entries.work import PartFitted, PartRemoved

_UNFIT = ("worn", "damaged", "missing")


class Piece(NamedTuple):
    """One piece and what happened to it."""

    new: bool = False
    touched: bool = False
    """It has been out."""
    unfit: bool = False
    """It came out worn or damaged, or was missing."""
    unexplained: bool = False
    """It was put back without having been taken out."""


@dataclass(frozen=True, slots=True)
class Pieces:
    """How many of which pieces are in place, how many are out, and how many were moved in all."""

    quantity: int
    in_place: Counter[Piece]
    out: Counter[Piece] = field(default_factory=Counter)
    moved: Counter[str] = field(default_factory=Counter)

    @property
    def total(self) -> int:
        """Pieces in place by the record."""
        return self.in_place.total()

    @property
    def new(self) -> int:
        """New pieces in place."""
        return self._count(lambda piece: piece.new)

    @property
    def untouched(self) -> int:
        """Old pieces in place that were never taken out."""
        return self.in_place[Piece()]

    @property
    def put_back(self) -> int:
        """Old pieces in place that were put back."""
        return self._count(lambda piece: not piece.new and piece != Piece())

    @property
    def unfit(self) -> int:
        """Pieces in place although they came out worn, damaged or missing."""
        return self._count(lambda piece: piece.unfit)

    @property
    def unexplained(self) -> int:
        """Pieces in place that were put back without having been taken out."""
        return self._count(lambda piece: piece.unexplained)

    @property
    def early(self) -> bool:
        """Something was fitted while no place was free, and not all has been out since."""
        return self.moved["early"] > 0

    def _count(self, wanted: Callable[[Piece], bool]) -> int:
        return sum(count for piece, count in self.in_place.items() if wanted(piece))


def follow(quantity: int, facts: Iterable[Fact[PartRemoved] | Fact[PartFitted]]) -> Pieces:
    """Where the pieces of a part are after these facts, in the order they happened."""
    pieces = Pieces(quantity, Counter({Piece(): quantity}))
    for fact in facts:
        if isinstance(fact.data, PartRemoved):
            _take_out(pieces, fact.data)
        elif fact.data.new:
            pieces.in_place[Piece(new=True)] += fact.data.quantity
            pieces.moved["fitted new"] += fact.data.quantity
        else:
            _put_back(pieces, fact.data)
        if pieces.total > quantity:
            pieces.moved["early"] += 1
        elif not pieces.total:
            pieces.moved["early"] = 0
    return pieces


def _take_out(pieces: Pieces, removed: PartRemoved) -> None:
    taken, _ = _take(pieces.in_place, removed.quantity, _taken_out_first)
    unfit = removed.condition in _UNFIT
    for piece, count in taken.items():
        pieces.out[Piece(piece.new, touched=True, unfit=unfit or piece.unfit)] += count
    pieces.moved["taken out"] += removed.quantity


def _put_back(pieces: Pieces, fitted: PartFitted) -> None:
    taken, lacking = _take(pieces.out, fitted.quantity, lambda piece: (not piece.new, piece.unfit))
    pieces.in_place.update(taken)
    if lacking:
        pieces.in_place[Piece(touched=True, unexplained=True)] += lacking
    pieces.moved["put back"] += fitted.quantity


def _taken_out_first(piece: Piece) -> tuple[bool, ...]:
    """Old before new; of the old, those put back before those untouched, the unfit before the sound."""
    return piece.new, piece.unexplained, not piece.touched, not piece.unfit


def _take(
    source: Counter[Piece], quantity: int, order: Callable[[Piece], tuple[bool, ...]]
) -> tuple[Counter[Piece], int]:
    """So many pieces from a heap, in an order, and how many it lacked."""
    taken: Counter[Piece] = Counter()
    for piece in sorted(source, key=order):
        taken[piece] = min(source[piece], quantity - taken.total())
    source.subtract(taken)
    return +taken, quantity - taken.total()
