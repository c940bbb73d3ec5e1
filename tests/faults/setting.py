"""What a try is given, and what it hands back."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from random import Random

from tests.faults.databases import Postgres
from tests.faults.dice import dice
from tests.faults.remembered import Remembered
from tests.faults.served import Nursery, Service, started


@dataclass(frozen=True, slots=True)
class Setting:
    """Where and how long.

    Attributes:
        folder: for files, removed afterwards.
        rounds: of what is done in rounds.
        postgresql: a running server of our own, where the try wants one.
        nursery: where services come from; None starts each cold.
        cold: the first start of each database is a cold one.
        seed: of all dice.
        progress: told what has been found so far, after every step.
    """

    folder: Path
    rounds: int
    postgresql: Postgres
    nursery: Nursery | None = None
    cold: bool = True
    seed: int = 0
    progress: Callable[[Figures], None] = lambda _: None

    def dice(self, *purpose: object) -> Random:
        """Dice for a purpose."""
        return dice(self.seed, *purpose)

    def start(self, url: str, port: int) -> Service:
        """A service, from the nursery if there is one."""
        return self.nursery.start(url, port, self.folder) if self.nursery else started(url, port, self.folder)


@dataclass
class Figures:
    """What came of it, by name."""

    values: dict[str, float] = field(default_factory=dict)

    def add(self, *ones: str, **counts: float) -> None:
        """Count on."""
        for name, count in [*((one, 1) for one in ones), *counts.items()]:
            self.values[name] = self.values.get(name, 0) + count

    def worst(self, name: str, value: float) -> None:
        """Keep the greatest."""
        self.values[f"worst {name}"] = max(self.values.get(f"worst {name}", 0), value)

    def remember(self, remembered: Remembered) -> None:
        """What the clients saw."""
        self.add(
            acknowledged=len(remembered.acknowledged),
            replays=remembered.replays,
            **{"not now": remembered.not_now, "cut lines": remembered.cut},
        )
        self.worst("answer, s", remembered.slowest)

    def __str__(self) -> str:
        return ", ".join(f"{name} {value:.{2 if value % 1 else 0}f}" for name, value in self.values.items())
