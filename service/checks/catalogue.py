"""All checks by name, and the edition of the set. A verdict names the edition it was given under."""

from __future__ import annotations

from service.checks.delivered_pressure import DELIVERED_PRESSURE
from service.checks.finding import Check
from service.checks.order import ORDER
from service.checks.parts import PARTS
from service.checks.sign_off import SIGN_OFF
from service.checks.stem_continuity import STEM_CONTINUITY
from service.checks.torque import TORQUE
from service.checks.turns import TURNS
from service.checks.zero_pressure import ZERO_PRESSURE

EDITION = "2026.2"

CHECKS: tuple[Check, ...] = (
    ZERO_PRESSURE,
    TURNS,
    STEM_CONTINUITY,
    TORQUE,
    PARTS,
    DELIVERED_PRESSURE,
    ORDER,
    SIGN_OFF,
)
