"""Rebuilds tell what they did to the setting, and are found by their device's serial wherever it was.

What stands there already is filled in by a replay.

Revision ID: 0004
Revises: 0003
"""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """A column and an index."""
    op.add_column("rebuilds", sa.Column("adjusted", sa.Text(), nullable=True))
    op.create_index("rebuilds_by_device", "rebuilds", ["facility", "serial", "opened_us"])
