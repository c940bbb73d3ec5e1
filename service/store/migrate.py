"""Bring a database up to date: alembic's ``upgrade head`` is the only way a database is made."""

from __future__ import annotations

from pathlib import Path

from alembic import command
from alembic.config import Config
from sqlalchemy import text

from service.store.engine import Store

_MIGRATION_LOCK = 7_031_186_402


def migrate(store: Store) -> None:
    """Upgrade to the newest revision; several processes may try at once, one does it."""
    config = Config()
    config.set_main_option("script_location", str(Path(__file__).with_name("migrations")))
    with store.engine.connect().execution_options(writes=True) as connection, connection.begin():
        if not store.is_sqlite:
            connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": _MIGRATION_LOCK})
        config.attributes["connection"] = connection
        command.upgrade(config, "head")
