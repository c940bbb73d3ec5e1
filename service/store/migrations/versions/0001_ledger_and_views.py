"""The ledger with its guards, the views, the tokens.

Revision ID: 0001
Revises:
"""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

LEDGER = ("entries", "nodes")


def upgrade() -> None:
    """Make the tables, then refuse every change to the ledger but an append."""
    make_tables()
    guard = guard_on_sqlite if op.get_bind().dialect.name == "sqlite" else guard_on_postgresql
    for table in LEDGER:
        guard(table)


def guard_on_sqlite(table: str) -> None:
    """No UPDATE, no DELETE, and no REPLACE: it would delete unseen, so a key that is taken is refused before it can."""
    keys = {
        "entries": "(facility = NEW.facility AND seq = NEW.seq) OR (facility = NEW.facility AND id = NEW.id)",
        "nodes": "facility = NEW.facility AND position = NEW.position",
    }
    for event in ("UPDATE", "DELETE"):
        op.execute(
            f"CREATE TRIGGER {table}_no_{event.lower()} BEFORE {event} ON {table} "
            f"BEGIN SELECT RAISE(ABORT, '{table} is append-only'); END"
        )
    op.execute(
        f"CREATE TRIGGER {table}_no_replace BEFORE INSERT ON {table} "
        f"WHEN EXISTS (SELECT 1 FROM {table} WHERE {keys[table]}) "
        f"BEGIN SELECT RAISE(ABORT, '{table} is append-only'); END"
    )


def guard_on_postgresql(table: str) -> None:
    """No UPDATE (nor INSERT … ON CONFLICT DO UPDATE, which fires the same trigger), no DELETE, no TRUNCATE."""
    op.execute(
        f"CREATE FUNCTION {table}_is_append_only() RETURNS trigger LANGUAGE plpgsql AS "
        f"$$ BEGIN RAISE EXCEPTION '{table} is append-only'; END $$"
    )
    for event in ("UPDATE", "DELETE", "TRUNCATE"):
        op.execute(
            f"CREATE TRIGGER {table}_no_{event.lower()} BEFORE {event} ON {table} "
            f"FOR EACH STATEMENT EXECUTE FUNCTION {table}_is_append_only()"
        )


def make_tables() -> None:
    """Every key begins with the facility."""
    op.create_table(
        "assets",
        sa.Column("facility", sa.String(), nullable=False),
        sa.Column("tag", sa.String(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("gas", sa.String(), nullable=False),
        sa.Column("parent", sa.String(), nullable=True),
        sa.Column("retired", sa.Boolean(), nullable=False),
        sa.Column("out_of_service", sa.Boolean(), nullable=False),
        sa.Column("changed_us", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("seq", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.PrimaryKeyConstraint("facility", "tag"),
    )
    op.create_index("assets_by_parent", "assets", ["facility", "parent", "tag"])
    op.create_table(
        "due",
        sa.Column("facility", sa.String(), nullable=False),
        sa.Column("asset", sa.String(), nullable=False),
        sa.Column("procedure", sa.String(), nullable=False),
        sa.Column("from_day", sa.String(), nullable=False),
        sa.Column("to_day", sa.String(), nullable=False),
        sa.Column("gas", sa.String(), nullable=False),
        sa.Column("due_on", sa.String(), nullable=False),
        sa.Column("window_on", sa.String(), nullable=False),
        sa.Column("window_days", sa.Integer(), nullable=False),
        sa.Column("baseline", sa.Boolean(), nullable=False),
        sa.Column("why", sa.String(), nullable=True),
        sa.Column("anchor", sa.String(), nullable=True),
        sa.Column("rebuild", sa.String(), nullable=True),
        sa.Column("says", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("facility", "asset", "procedure", "from_day"),
    )
    op.create_index("due_soonest", "due", ["facility", "to_day", "due_on", "asset", "procedure"])
    op.create_index("due_soonest_by_gas", "due", ["facility", "to_day", "gas", "due_on", "asset", "procedure"])
    op.create_index("due_window", "due", ["facility", "to_day", "window_days"])
    op.create_table(
        "entries",
        sa.Column("facility", sa.String(), nullable=False),
        sa.Column("seq", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("type", sa.String(), nullable=False),
        sa.Column("asset", sa.String(), nullable=True),
        sa.Column("rebuild", sa.String(), nullable=True),
        sa.Column("subject", sa.String(), nullable=True),
        sa.Column("corrects", sa.String(), nullable=True),
        sa.Column("occurred_us", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("recorded_us", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("facility", "seq"),
    )
    op.create_index("entries_by_asset", "entries", ["facility", "asset", "type", "seq"])
    op.create_index("entries_by_id", "entries", ["facility", "id"], unique=True)
    op.create_index("entries_by_rebuild", "entries", ["facility", "rebuild", "seq"])
    op.create_index("entries_by_subject", "entries", ["facility", "subject", "seq"])
    op.create_index("entries_by_target", "entries", ["facility", "corrects"])
    op.create_table(
        "facilities",
        sa.Column("facility", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("origin", sa.String(), nullable=False),
        sa.Column("zones", sa.Text(), nullable=False),
        sa.Column("seq", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.PrimaryKeyConstraint("facility"),
    )
    op.create_table(
        "heads",
        sa.Column("facility", sa.String(), nullable=False),
        sa.Column("size", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("root", sa.LargeBinary(length=32), nullable=False),
        sa.Column("recorded_us", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.PrimaryKeyConstraint("facility"),
    )
    op.create_table(
        "instruments",
        sa.Column("facility", sa.String(), nullable=False),
        sa.Column("instrument", sa.String(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("seq", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.PrimaryKeyConstraint("facility", "instrument"),
    )
    op.create_table(
        "marks",
        sa.Column("facility", sa.String(), nullable=False),
        sa.Column("rebuild", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("facility", "rebuild"),
    )
    op.create_table(
        "nodes",
        sa.Column("facility", sa.String(), nullable=False),
        sa.Column("position", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("hash", sa.LargeBinary(length=32), nullable=False),
        sa.PrimaryKeyConstraint("facility", "position"),
    )
    op.create_table(
        "procedures",
        sa.Column("facility", sa.String(), nullable=False),
        sa.Column("code", sa.String(), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("seq", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.PrimaryKeyConstraint("facility", "code", "revision"),
    )
    op.create_table(
        "rebuilds",
        sa.Column("facility", sa.String(), nullable=False),
        sa.Column("rebuild", sa.String(), nullable=False),
        sa.Column("asset", sa.String(), nullable=True),
        sa.Column("serial", sa.String(), nullable=True),
        sa.Column("procedure", sa.String(), nullable=True),
        sa.Column("revision", sa.Integer(), nullable=True),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("verdict", sa.String(), nullable=False),
        sa.Column("outcome", sa.String(), nullable=True),
        sa.Column("edition", sa.String(), nullable=False),
        sa.Column("opened_us", sa.BigInteger(), autoincrement=False, nullable=True),
        sa.Column("closed_us", sa.BigInteger(), autoincrement=False, nullable=True),
        sa.Column("service_us", sa.BigInteger(), autoincrement=False, nullable=True),
        sa.Column("in_service", sa.Boolean(), nullable=True),
        sa.Column("stem", sa.Text(), nullable=True),
        sa.Column("findings", sa.Text(), nullable=False),
        sa.Column("judged_digest", sa.String(), nullable=True),
        sa.Column("first_seq", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("seq", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.PrimaryKeyConstraint("facility", "rebuild"),
    )
    op.create_index("rebuilds_by_asset", "rebuilds", ["facility", "asset", "opened_us"])
    op.create_index("rebuilds_by_closing", "rebuilds", ["facility", "closed_us", "rebuild"])
    op.create_table(
        "tokens",
        sa.Column("facility", sa.String(), nullable=False),
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("secret_sha256", sa.String(), nullable=False),
        sa.Column("scopes", sa.String(), nullable=False),
        sa.Column("created_us", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("expires_us", sa.BigInteger(), autoincrement=False, nullable=True),
        sa.Column("revoked_us", sa.BigInteger(), autoincrement=False, nullable=True),
        sa.PrimaryKeyConstraint("facility", "id"),
    )
    op.create_index("tokens_by_secret", "tokens", ["secret_sha256"])
    op.create_table(
        "uses",
        sa.Column("facility", sa.String(), nullable=False),
        sa.Column("instrument", sa.String(), nullable=False),
        sa.Column("rebuild", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("facility", "instrument", "rebuild"),
    )
