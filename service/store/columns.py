"""Columns that several tables are made of."""

from __future__ import annotations

from sqlalchemy import BigInteger, Column


def big(*, key: bool = False, nullable: bool = False) -> Column[int]:
    """A whole number with room for a century of microseconds; an ``int`` of its own would be 32 bits on PostgreSQL."""
    return Column(BigInteger, primary_key=key, nullable=nullable, autoincrement=False)
