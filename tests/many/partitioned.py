"""The same tables spread over hash partitions by facility: what a PostgreSQL does with them when one table is too much.

Only the place of the rows changes. Every key of ours begins with the facility, so the primary keys, the unique index on
ids, the other indexes and the guards are taken over as they are, and not one statement of the service is another.
"""

from __future__ import annotations

from sqlalchemy import Connection, text
from sqlmodel import SQLModel

from service.store.engine import Store

PARTITIONS = 4


def partition(store: Store, partitions: int = PARTITIONS) -> None:
    """Spread every table of a migrated, empty database over hash partitions by facility, in one transaction."""
    with store.writing() as tx:
        for table in sorted(SQLModel.metadata.tables):
            _spread(tx, table, partitions)


def _spread(tx: Connection, table: str, partitions: int) -> None:
    indexes = tx.execute(
        text("SELECT indexdef FROM pg_indexes WHERE tablename = :table AND indexname <> :key"),
        {"table": table, "key": f"{table}_pkey"},
    ).scalars()
    definitions = list(indexes)
    triggers = list(
        tx.execute(
            text(
                "SELECT pg_get_triggerdef(oid) FROM pg_trigger WHERE tgrelid = CAST(:table AS regclass) "
                "AND NOT tgisinternal"
            ),
            {"table": table},
        ).scalars()
    )
    keys = list(SQLModel.metadata.tables[table].primary_key.columns.keys())
    tx.execute(text(f"ALTER TABLE {table} RENAME TO {table}_as_it_was"))
    tx.execute(text(f"CREATE TABLE {table} (LIKE {table}_as_it_was INCLUDING DEFAULTS) PARTITION BY HASH (facility)"))
    tx.execute(text(f"DROP TABLE {table}_as_it_was"))
    tx.execute(text(f"ALTER TABLE {table} ADD PRIMARY KEY ({', '.join(keys)})"))
    for number in range(partitions):
        place = f"MODULUS {partitions}, REMAINDER {number}"
        tx.execute(text(f"CREATE TABLE {table}_{number} PARTITION OF {table} FOR VALUES WITH ({place})"))
    for definition in (*definitions, *triggers):
        tx.execute(text(definition))
