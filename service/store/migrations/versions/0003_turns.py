"""A head counts its turns, so that a writer's memory notices what changed the views without adding an entry.

Revision ID: 0003
Revises: 0002
"""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """No guard stands on this table, so a plain column does no harm to any."""
    op.add_column("heads", sa.Column("turn", sa.BigInteger(), nullable=False, server_default="0"))
