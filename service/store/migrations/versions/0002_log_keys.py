"""The log's public keys, its witnesses and what they signed.

Revision ID: 0002
Revises: 0001
"""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Operational state: backed up, not replayed."""
    op.create_table(
        "cosignatures",
        sa.Column("facility", sa.String(), nullable=False),
        sa.Column("size", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("key_id", sa.String(), nullable=False),
        sa.Column("line", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("facility", "size", "key_id"),
    )
    op.create_table(
        "log_keys",
        sa.Column("facility", sa.String(), nullable=False),
        sa.Column("key_id", sa.String(), nullable=False),
        sa.Column("verifier", sa.Text(), nullable=False),
        sa.Column("since_size", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("created_us", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("retired_us", sa.BigInteger(), autoincrement=False, nullable=True),
        sa.PrimaryKeyConstraint("facility", "key_id"),
    )
    op.create_table(
        "witnesses",
        sa.Column("facility", sa.String(), nullable=False),
        sa.Column("key_id", sa.String(), nullable=False),
        sa.Column("verifier", sa.Text(), nullable=False),
        sa.Column("created_us", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.PrimaryKeyConstraint("facility", "key_id"),
    )
