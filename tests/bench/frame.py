"""The frame of the benchmark: rounds, interleaving, statistics and the table.

A row measures several contenders: ours, its peers, the floor. Each round runs every contender once, in an order that
moves on by one from round to round, so that what else the machine does falls on all alike. A figure is worked out
within each round from what stood side by side there; the table gives its median over the rounds and, in brackets, the
least and the most. Only ratios within one run mean anything.
"""

from __future__ import annotations

import statistics
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path

LEAST_ROUNDS = 5


@dataclass(frozen=True, slots=True)
class Sample:
    """What one contender did in one round.

    ``rate``: things a second. ``p50``, ``p99``: seconds for one. ``cpu``: seconds of processor time for one, on the
    side that is measured. ``client``: share of one core that the load generator used, where there is one.
    """

    rate: float
    p50: float
    p99: float
    cpu: float | None = None
    client: float | None = None


Round = Mapping[str, Sample]
Contender = Callable[[], Sample]


@dataclass(frozen=True, slots=True)
class Figure:
    """One number to reach, worked out from the contenders of one round. Without a bound it is told, not judged."""

    what: str
    of: Callable[[Round], float]
    at_least: float | None = None
    at_most: float | None = None
    unit: str = ""

    @property
    def reach(self) -> str:
        """The bound as the table shows it."""
        if self.at_least is not None:
            return f"≥ {self.at_least:g}{self.unit}"
        return f"≤ {self.at_most:g}{self.unit}" if self.at_most is not None else "–"

    def verdict(self, value: float) -> str:
        """Reached or not; nothing without a bound."""
        if self.at_least is None and self.at_most is None:
            return ""
        low, high = self.at_least, self.at_most
        return "reached" if (low is None or value >= low) and (high is None or value <= high) else "NOT YET"


@dataclass(frozen=True, slots=True)
class Setting:
    """Where and how large: a folder on the disk that is measured, and the short or the long form."""

    folder: Path
    quick: bool
    million: bool = False

    @property
    def seconds(self) -> float:
        """How long one contender runs in one round."""
        return 0.5 if self.quick else 2.0


@dataclass(frozen=True, slots=True)
class Row:
    """One row of the benchmark: how its contenders are set up (and taken down), and the figures they give."""

    name: str
    about: str
    contenders: Callable[[Setting], AbstractContextManager[Mapping[str, Contender]]]
    figures: Callable[[Setting], Sequence[Figure]]


@dataclass(frozen=True, slots=True)
class Measured:
    """A row with its rounds, and its contenders in the order in which they are shown."""

    row: Row
    names: Sequence[str]
    figures: Sequence[Figure]
    rounds: Sequence[Round]


def measure(row: Row, setting: Setting, rounds: int, said: Callable[[str], None]) -> Measured:
    """Run a row: one round that warms up and is thrown away, then the rounds that count."""
    with row.contenders(setting) as contenders:
        names, kept = list(contenders), []
        for number, order in enumerate(_orders(names, rounds + 1)):
            said(f"{row.name}: round {number} of {rounds}" if number else f"{row.name}: warming up")
            kept.append({name: contenders[name]() for name in order})
    return Measured(row, names, row.figures(setting), kept[1:])


def _orders(names: list[str], rounds: int) -> Iterator[list[str]]:
    for number in range(rounds):
        start = number % len(names)
        yield names[start:] + names[:start]


def of_times(times: Sequence[float], cpu: float | None = None) -> Sample:
    """A sample from the seconds that each single thing took."""
    ordered = sorted(times)
    return Sample(len(ordered) / sum(ordered), quantile(ordered, 0.50), quantile(ordered, 0.99), cpu)


def quantile(ordered: Sequence[float], share: float) -> float:
    """The value below which this share of the ordered ones lies (nearest rank)."""
    return ordered[min(len(ordered) - 1, int(share * len(ordered)))]


def table(measured: Measured) -> str:
    """A row's contenders and figures as plain text."""
    lines = [measured.row.name, measured.row.about, "", _line(("", "a second", "p50 ms", "p99 ms", "CPU ms", "client"))]
    lines += [_line((name, *_middle([each[name] for each in measured.rounds]))) for name in measured.names]
    lines += ["", _figure_line(("figure", "reach", "got", "least – most", ""))]
    return "\n".join(lines + figure_lines(measured))


def figure_lines(measured: Measured) -> list[str]:
    """Each figure: what to reach, the median over the rounds, its spread, whether it is reached."""
    lines = []
    for figure in measured.figures:
        values = sorted(figure.of(each) for each in measured.rounds)
        middle = statistics.median(values)
        spread = f"({_three(values[0])} – {_three(values[-1])})"
        got = _three(middle) + figure.unit
        lines.append(_figure_line((figure.what, figure.reach, got, spread, figure.verdict(middle))))
    return lines


def _three(value: float) -> str:
    """Three significant figures, without exponents."""
    return f"{value:.3g}" if abs(value) < 1000 else f"{value:,.0f}"


def _middle(samples: Sequence[Sample]) -> Iterator[str]:
    yield f"{statistics.median(one.rate for one in samples):,.0f}"
    yield f"{1000 * statistics.median(one.p50 for one in samples):.3f}"
    yield f"{1000 * statistics.median(one.p99 for one in samples):.3f}"
    cpu = [one.cpu for one in samples if one.cpu is not None]
    yield f"{1000 * statistics.median(cpu):.3f}" if cpu else "–"
    client = [one.client for one in samples if one.client is not None]
    yield f"{100 * statistics.median(client):.0f} %" if client else "–"


def _line(cells: Sequence[str]) -> str:
    return f"  {cells[0]:<44}" + "".join(f"{cell:>11}" for cell in cells[1:])


def _figure_line(cells: Sequence[str]) -> str:
    what, reach, got, spread, verdict = cells
    return f"  {what:<64}{reach:>11}{got:>11}   {spread:<18}{verdict}"
