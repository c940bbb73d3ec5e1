"""Dice that fall the same way again for the same seed."""

from __future__ import annotations

from random import Random


def dice(*seed: object) -> Random:
    """For one purpose, named by what it is thrown for."""
    return Random("/".join(map(str, seed)))  # noqa: S311 - chooses moments, keeps no secret
