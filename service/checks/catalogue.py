"""All checks by name, and the edition of the set. A verdict names the edition it was given under."""

from __future__ import annotations

from service.checks.applicability import APPLICABILITY
from service.checks.creep import CREEP
from service.checks.delivered_pressure import DELIVERED_PRESSURE
from service.checks.endurance import ENDURANCE
from service.checks.finding import Check
from service.checks.functions import FUNCTIONS
from service.checks.instrument import INSTRUMENT
from service.checks.leak import LEAK
from service.checks.lockup import LOCKUP
from service.checks.lubricant import LUBRICANT
from service.checks.order import ORDER
from service.checks.parts import PARTS
from service.checks.sign_off import SIGN_OFF
from service.checks.soft_goods_life import SOFT_GOODS_LIFE
from service.checks.stem_continuity import STEM_CONTINUITY
from service.checks.supply import SUPPLY
from service.checks.torque import TORQUE
from service.checks.turns import TURNS
from service.checks.zero_pressure import ZERO_PRESSURE

EDITION = "2026.2"

CHECKS: tuple[Check, ...] = (
    APPLICABILITY,
    ZERO_PRESSURE,
    TURNS,
    STEM_CONTINUITY,
    TORQUE,
    PARTS,
    SOFT_GOODS_LIFE,
    LUBRICANT,
    INSTRUMENT,
    LEAK,
    LOCKUP,
    CREEP,
    DELIVERED_PRESSURE,
    SUPPLY,
    ENDURANCE,
    FUNCTIONS,
    ORDER,
    SIGN_OFF,
)


def table() -> str:
    """The catalogue as a Markdown table, the one that stands in the README."""
    rows = [("check", "decides", "formula", "source"), ("---",) * 4]
    rows += [(f"`{check.name}`", check.decides, check.formula, check.source) for check in CHECKS]
    cells = (" | ".join(cell.replace("|", "\\|") for cell in row) for row in rows)
    return "\n".join(f"| {row} |" for row in cells)
