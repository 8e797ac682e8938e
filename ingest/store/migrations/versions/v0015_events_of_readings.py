"""The events that a reading began are found by the reading, not by their whole name."""

from __future__ import annotations

from alembic import op

revision = "0015"
down_revision = "0014"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """One index in place of another."""
    op.drop_index("episode_natural", table_name="episode")
    op.create_index("episode_of_reading", "episode", ["vehicle_id", "start_journal", "start_seq"])


def downgrade() -> None:
    """The other one again."""
    op.drop_index("episode_of_reading", table_name="episode")
    op.create_index("episode_natural", "episode", ["vehicle_id", "natural"])
