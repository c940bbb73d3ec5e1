"""Alembic's way in: the connection is always handed over by ``service.store.migrate``."""

from alembic import context
from sqlmodel import SQLModel

from service.store import attachment_tables, log_tables, tables

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=SQLModel.metadata,
    transaction_per_migration=False,
)
assert tables.LEDGER  # noqa: S101 - the tables register themselves on import
assert log_tables.log_keys is not None  # noqa: S101 - as above
assert attachment_tables.pieces is not None  # noqa: S101 - as above
context.run_migrations()
