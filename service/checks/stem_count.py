"""What counts of stem turns say: several people count, and a number stands when they agree or have settled it together.

A run is the counts in one direction with none in the other between them. In a run, common practice, no published
source:

- the latest count agreed by as many people as the procedure asks for (two at least) stands, unless a later count
  contradicts it;
- else all counts must agree, |n_i − n_j| ≤ resolution/2 (equal, where the procedure gives no resolution), and come
  from as many different people as the procedure asks for; the middle of them stands. Codes that differ in capitals
  alone are one person's.

A turn is 360° or six flats: 5¼ turns = 1890° = 31.5 flats.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from itertools import groupby

from service.checks.job import Fact, Job
from service.entries.procedure import StemTurns
from service.entries.quantity import Turns
from service.entries.work import SettingAdjusted, TurnsCounted

_HAIR = Decimal("1E-15")
"""Turns that are nothing: a third of a turn has no last digit, and must not fail a limit by its rounding."""


@dataclass(frozen=True, slots=True)
class Settled:
    """A number of turns that stands, when it did, whether the marks were aligned, and who says so."""

    turns: Decimal
    at: datetime
    aligned: bool | None
    people: str
    entries: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Unsettled:
    """Counts of which none stands yet, and what would settle them."""

    why: str
    advice: str
    entries: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Run:
    """Counts in one direction, in the order they were made."""

    direction: str
    facts: tuple[Fact[TurnsCounted], ...]

    def settle(self, asked: StemTurns) -> Settled | Unsettled:
        """The number that stands, by what the procedure asks for."""
        together = [fact for fact in self.facts if len(different(fact.data.agreed_by or ())) >= max(2, asked.counters)]
        return _agreed(self.facts, together[-1], asked) if together else _counted(self.facts, asked)


def runs(job: Job) -> list[Run]:
    """Out, in, out, in … as counted in this rebuild."""
    counts = job.facts.of(TurnsCounted)
    return [Run(way, tuple(facts)) for way, facts in groupby(counts, key=lambda fact: fact.data.direction)]


def within(turns: Decimal, limit: Decimal) -> bool:
    """|turns| ≤ limit, the limit included."""
    return abs(turns) <= limit + _HAIR


def plain(turns: Decimal) -> str:
    """Turns in plain digits, four decimals at most: ``11.25``."""
    return f"{round(turns, 4).normalize() + 0:f}"


def signed(turns: Decimal) -> str:
    """The same with its direction, in being positive: ``+0.25``, ``−1``."""
    shown = plain(abs(turns))
    return shown if shown == "0" else f"{'−' if turns < 0 else '+'}{shown}"


def adjusted(facts: Iterable[Fact[SettingAdjusted]]) -> Decimal:
    """Turns by which the setting was adjusted, in being positive."""
    return sum((fact.data.turns.si for fact in facts), Decimal(0))


def _agreed(facts: Sequence[Fact[TurnsCounted]], standing: Fact[TurnsCounted], asked: StemTurns) -> Settled | Unsettled:
    against = [fact for fact in facts if fact.at > standing.at and _differ(asked, [standing, fact])]
    if against:
        return _in_dispute([standing, *against])
    told = standing.data.marks_aligned
    return Settled(
        turns=standing.data.turns.si,
        at=standing.at,
        aligned=told if told is not None else _aligned(facts),
        people=" and ".join(standing.data.agreed_by or ()),
        entries=(standing.id,),
    )


def _counted(facts: Sequence[Fact[TurnsCounted]], asked: StemTurns) -> Settled | Unsettled:
    if _differ(asked, facts):
        return _in_dispute(facts)
    counted = different(person for fact in facts for person in people(fact))
    if max(1, len(counted)) < asked.counters:
        missing = asked.counters - max(1, len(counted))
        return Unsettled(
            f"{_says(facts)}; the procedure asks for {asked.counters} people to count",
            f"Have {missing} more count, or record a count agreed by {max(2, asked.counters)}.",
            _ids(facts),
        )
    turns = [fact.data.turns.si for fact in facts]
    return Settled(
        turns=(min(turns) + max(turns)) / 2,
        at=facts[-1].at,
        aligned=_aligned(facts),
        people=", ".join(counted) or "somebody",
        entries=_ids(facts),
    )


def _differ(asked: StemTurns, facts: Sequence[Fact[TurnsCounted]]) -> bool:
    turns = [fact.data.turns.si for fact in facts]
    allowed = asked.resolution.si / 2 if asked.resolution is not None else Decimal(0)
    return not within(max(turns) - min(turns), allowed)


def _in_dispute(facts: Sequence[Fact[TurnsCounted]]) -> Unsettled:
    counted = _says(facts)
    advice = f"{counted}: recount together and record an agreed count, or correct the wrong entry."
    return Unsettled(f"the counts disagree: {counted}", advice, _ids(facts))


def _aligned(facts: Sequence[Fact[TurnsCounted]]) -> bool | None:
    """The marks were aligned if somebody says so and nobody denies it; None where nobody tells."""
    told = {fact.data.marks_aligned for fact in facts} - {None}
    return told == {True} if told else None


def same_person(one: str, other: str | None) -> bool:
    """Are these the codes of one person?"""
    return other is not None and one.casefold() == other.casefold()


def different(named: Iterable[str]) -> list[str]:
    """Each person once, as first named."""
    found: dict[str, str] = {}
    for person in named:
        found.setdefault(person.casefold(), person)
    return list(found.values())


def people(fact: Fact[TurnsCounted]) -> tuple[str, ...]:
    """Who stands by this count; empty where the entry names nobody."""
    if fact.data.agreed_by is not None:
        return fact.data.agreed_by
    person = fact.data.counted_by or fact.by
    return (person,) if person else ()


def _says(facts: Sequence[Fact[TurnsCounted]]) -> str:
    return ", ".join(
        f"{' and '.join(people(fact)) or 'somebody'} {'agreed' if fact.data.agreed_by else 'counted'} "
        f"{written(fact.data.turns)}"
        for fact in facts
    )


def written(turns: Turns) -> str:
    """As written, and in turns where that is another number: ``1890 deg (5.25 turns)``."""
    return turns.value if turns.code == "turn" else f"{turns} ({plain(turns.si)} turns)"


def _ids(facts: Sequence[Fact[TurnsCounted]]) -> tuple[str, ...]:
    return tuple(fact.id for fact in facts)
