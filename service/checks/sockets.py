"""Which sockets fit a fastener, in both systems, and which nearly do and must not be used.

Clearance c = (socket − fastener) / fastener, of the nominal size across the flats. 0 ≤ c ≤ 2.5 % fits. What is smaller,
by 2.5 % at most, and what is larger, from 2.5 to 6 %, does not, and could be taken for one that does. The series are
the usual sizes in trade; limits and series are common practice, no published source. A 2 in hexagon is 50.8 mm: 50 mm
is too small, 52 mm is the one to bring.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import Any, Literal, NamedTuple

from service.checks.finding import COMMON_PRACTICE
from service.entries.quantity import Length, figures

_RULE = "one that fits is 0 to 2.5 % larger than the nominal size"
SOURCE = f"{_RULE}; {COMMON_PRACTICE}"
MOST_CLEARANCE = Decimal("2.5")
"""Per cent of the fastener that a socket may be larger, and that one too small may lack to be mistaken for it."""
MOST_NEAR = Decimal(6)
"""Per cent up to which a socket too large still goes on well enough to be used by mistake."""

METRIC_MM = (
    "5.5", "6", "7", "8", "9", "10", "11", "12", "13", "14", "15", "16", "17", "18", "19", "21", "22", "24", "27", "30",
    "32", "34", "36", "38", "41", "46", "50", "52", "55", "60", "65", "70", "75", "80", "85", "90", "95", "100",
)  # fmt: skip
"""Usual metric sockets, mm."""
INCH_SIXTEENTHS = (*range(4, 32), *range(32, 49, 2))
"""Usual inch sockets, sixteenths of an inch: from 1/4 to 2 by 1/16, then to 3 by 1/8."""
_MM_PER_SIXTEENTH = Decimal("1.5875")  # 25.4 / 16, exact

System = Literal["metric", "inch"]


class Socket(NamedTuple):
    """A socket as it is marked, ``52 mm`` or ``1 1/4 in``, and its size in mm."""

    marked: str
    system: System
    mm: Decimal


class Near(NamedTuple):
    """A socket that must not be used, and why."""

    socket: Socket
    why: str


@dataclass(frozen=True, slots=True)
class Fits:
    """The sockets for one fastener; ``near`` are those that could be taken for it."""

    across_flats: Length
    metric: tuple[Socket, ...]
    inch: tuple[Socket, ...]
    near: tuple[Near, ...]

    def shown(self) -> dict[str, Any]:
        """As a procedure's tools show it."""
        return {
            "across_flats": self.across_flats.shown(),
            "metric": [socket.marked for socket in self.metric],
            "inch": [socket.marked for socket in self.inch],
            "near": [{"socket": near.socket.marked, "why": near.why} for near in self.near],
            "source": SOURCE,
        }


def fits(across_flats: Length) -> Fits:
    """The sockets that fit a fastener of that size, and those that nearly do."""
    size = across_flats.si
    fitting: dict[System, list[Socket]] = {"metric": [], "inch": []}
    near: list[Near] = []
    for socket in usual_sockets():
        excess = (socket.mm - size) * 100  # per cent of size, times size: nothing is divided, so limits are exact
        if 0 <= excess <= MOST_CLEARANCE * size:
            fitting[socket.system].append(socket)
        elif -MOST_CLEARANCE * size <= excess < 0:
            near.append(Near(socket, f"{_gap(size - socket.mm, size)} too small: {_RULE}"))
        elif 0 < excess <= MOST_NEAR * size:
            near.append(Near(socket, f"{_gap(socket.mm - size, size)} too large: {_RULE}"))
    return Fits(across_flats, tuple(fitting["metric"]), tuple(fitting["inch"]), tuple(near))


def usual_sockets() -> Iterator[Socket]:
    """Both series, smallest first in each."""
    for size in METRIC_MM:
        yield Socket(f"{size} mm", "metric", Decimal(size))
    for sixteenths in INCH_SIXTEENTHS:
        yield Socket(_inches(sixteenths), "inch", sixteenths * _MM_PER_SIXTEENTH)


def _inches(sixteenths: int) -> str:
    """As it is stamped on the socket: ``1 1/4 in``."""
    whole, rest = divmod(Fraction(sixteenths, 16), 1)
    return " ".join(str(part) for part in (whole, rest) if part) + " in"


def _gap(gap: Decimal, size: Decimal) -> str:
    """``0.8 mm (1.6 %)``."""
    return f"{figures(gap, 2)} mm ({figures(gap / size * 100, 2)} %)"
