"""Attachments: content by its digest, in pieces.

Revision ID: 0005
Revises: 0004
"""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the two tables. PostgreSQL need not try to compress photographs, which are compressed."""
    op.create_table(
        "attachments",
        sa.Column("facility", sa.String(), nullable=False),
        sa.Column("sha256", sa.String(), nullable=False),
        sa.Column("media_type", sa.String(), nullable=False),
        sa.Column("size", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("stored_us", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("credential", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("facility", "sha256"),
    )
    op.create_table(
        "attachment_pieces",
        sa.Column("facility", sa.String(), nullable=False),
        sa.Column("sha256", sa.String(), nullable=False),
        sa.Column("number", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("content", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("facility", "sha256", "number"),
    )
    if op.get_bind().dialect.name == "postgresql":
        op.execute("ALTER TABLE attachment_pieces ALTER COLUMN content SET STORAGE EXTERNAL")
