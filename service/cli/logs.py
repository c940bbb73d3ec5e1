"""How the service tells its log: JSON lines, without the values that were in play, which may hold secrets."""

from __future__ import annotations

import logging

import structlog


def tell(level: str) -> None:
    """From this level on: debug, info, warning or error."""
    structlog.configure(
        processors=[
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            structlog.processors.format_exc_info,
            structlog.processors.JSONRenderer(),
        ],
        wrapper_class=structlog.make_filtering_bound_logger(logging.getLevelNamesMapping()[level.upper()]),
    )
