"""The open events of a vehicle are found without those that are over."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0012"
down_revision = "0011"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add an index of what every report is compared with."""
    is_open = sa.text("ended_at IS NULL AND withdrawn_reason IS NULL")
    op.create_index(
        "episode_open", "episode", ["vehicle_id"], sqlite_where=is_open, postgresql_where=is_open
    )


def downgrade() -> None:
    """Take it away."""
    op.drop_index("episode_open", table_name="episode")
