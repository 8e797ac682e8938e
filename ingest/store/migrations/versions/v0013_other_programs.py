"""A vehicle may owe a test to more programs than one."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0013"
down_revision = "0012"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the column, empty."""
    op.add_column("vehicle", sa.Column("other_programs", sa.String(length=200), nullable=True))


def downgrade() -> None:
    """Take it away: what the list said in it is lost."""
    op.drop_column("vehicle", "other_programs")
