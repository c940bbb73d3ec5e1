"""Bring a database up to date: alembic's ``upgrade head`` is the only way a database is made."""

from __future__ import annotations

from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import text
from sqlalchemy.exc import DBAPIError
from sqlalchemy.exc import TimeoutError as NoConnection

from service.store.engine import Store

_MIGRATION_LOCK = 7_031_186_402
_PATIENCE_S = 120
"""How long one process waits for another that migrates the same SQLite file."""


def _config() -> Config:
    config = Config()
    config.set_main_option("script_location", str(Path(__file__).with_name("migrations")))
    return config


def is_current(store: Store) -> bool:
    """Does the database answer, at the newest revision?"""
    newest = ScriptDirectory.from_config(_config()).get_current_head()
    try:
        with store.engine.connect() as connection:
            return MigrationContext.configure(connection).get_current_revision() == newest
    except (DBAPIError, NoConnection):
        return False


def is_made(store: Store) -> bool:
    """Was a ledger ever made there? Asking makes none. Raises DBAPIError where the database does not answer."""
    if store.is_sqlite and not (store.file and Path(store.file).is_file()):
        return False
    with store.engine.connect() as connection:
        return MigrationContext.configure(connection).get_current_revision() is not None


def migrate(store: Store) -> None:
    """Upgrade to the newest revision; several processes may try at once, one does it."""
    config = _config()
    with store.writing(patience_s=_PATIENCE_S) as connection:
        if not store.is_sqlite:
            connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": _MIGRATION_LOCK})
        config.attributes["connection"] = connection
        command.upgrade(config, "head")
