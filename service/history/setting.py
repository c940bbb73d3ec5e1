"""Turns to a target, and what so many turns will do:  turns = (target − p)/r,  p' = p + turns·r.

p is the delivered pressure now, kPa gauge; r the kPa per turn (``checks.pressure_per_turn``). With r between r_lo and
r_hi the turns lie between (target − p)/r_hi and (target − p)/r_lo. A line learned between two pressures is not known to
go on beyond them: an answer that leaves them says so. Plain arithmetic; the regulator decides, not the sum.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

from service.checks.pressure_per_turn import PerTurn, percent
from service.checks.stem_count import plain, signed
from service.entries.quantity import figures

_CAREFUL = "Turn in small steps, read after each, and stop at the pressure, not at the count."


@dataclass(frozen=True, slots=True)
class Reckoned:
    """One number with its interval (None where nothing tells how sure it is), and the sum in words."""

    value: Decimal
    low: Decimal | None
    high: Decimal | None
    beyond_seen: bool
    says: str
    advice: str = _CAREFUL


def turns_to(per_turn: PerTurn, now: Decimal, target: Decimal) -> Reckoned | None:
    """Turns in (+) or out (−) from one delivered pressure to another, kPa.

    None where the turns are not to be told: what is known of a turn does not even say whether it raises the pressure.
    """
    if per_turn.kpa <= 0 or (per_turn.low is not None and per_turn.low <= 0):
        return None
    turns = (target - now) / per_turn.kpa
    says = (
        f"({_kpa(target)} − {_kpa(now)}) / {figures(per_turn.kpa, 4)} kPa per turn = {signed(turns)} turn"
        f" ({per_turn.says})"
    )
    low = high = None
    if per_turn.low is not None and per_turn.high is not None and per_turn.confidence is not None:
        low, high = sorted(((target - now) / per_turn.low, (target - now) / per_turn.high))
        says += f"; {signed(low)} to {signed(high)} at {percent(per_turn.confidence)} confidence"
    beyond, warning = _beyond(per_turn, now, target)
    return Reckoned(turns, low, high, beyond, f"{says}.{warning}")


def pressure_after(per_turn: PerTurn, now: Decimal, turns: Decimal) -> Reckoned:
    """The delivered pressure, kPa, after so many turns in (+) or out (−)."""
    pressure = now + turns * per_turn.kpa
    says = (
        f"{_kpa(now)} {'−' if turns < 0 else '+'} {plain(abs(turns))} turn × {figures(per_turn.kpa, 4)} kPa per turn = "
        f"{_kpa(pressure)} ({per_turn.says})"
    )
    low = high = None
    if per_turn.low is not None and per_turn.high is not None and per_turn.confidence is not None:
        low, high = sorted((now + turns * per_turn.low, now + turns * per_turn.high))
        says += f"; {_kpa(low)} to {_kpa(high)} at {percent(per_turn.confidence)} confidence"
    beyond, warning = _beyond(per_turn, now, pressure)
    return Reckoned(pressure, low, high, beyond, f"{says}.{warning}")


def _beyond(per_turn: PerTurn, *pressures: Decimal) -> tuple[bool, str]:
    """Does the sum leave what the device was seen to do?"""
    if per_turn.seen is None:
        return True, " No adjustment of this device was seen: reckoned, not learned."
    low, high = per_turn.seen
    outside = [pressure for pressure in pressures if not low <= pressure <= high]
    if not outside:
        return False, ""
    return True, (
        f" Beyond what was seen: its adjustments lie between {_kpa(low)} and {_kpa(high)}, and "
        f"{' and '.join(map(_kpa, outside))} {'is' if len(outside) == 1 else 'are'} outside."
    )


def _kpa(pressure: Decimal) -> str:
    return f"{figures(pressure, 4)} kPa"
