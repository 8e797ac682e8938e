"""Driving cycles as rows of their own; the next start folds them out of the stored reports."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the table of driving cycles, and let every vehicle be folded again to fill it."""
    op.create_table(
        "driving_cycle",
        sa.Column(
            "vehicle_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False
        ),
        sa.Column("journal", sa.String(length=36), nullable=False),
        sa.Column("seq", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("observed_at", sa.BigInteger(), nullable=False),
        sa.Column("started_at", sa.BigInteger(), nullable=False),
        sa.Column("ended_at", sa.BigInteger(), nullable=False),
        sa.Column("summary", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["vehicle_id"], ["vehicle.id"]),
        sa.PrimaryKeyConstraint("vehicle_id", "journal", "seq"),
    )
    op.create_index(
        "driving_cycle_of_vehicle", "driving_cycle", ["vehicle_id", "observed_at"], unique=False
    )
    op.execute("UPDATE vehicle_state SET fold_version = 0")


def downgrade() -> None:
    """Take the table away: nothing is lost, it is worked out from the stored reports."""
    op.drop_index("driving_cycle_of_vehicle", table_name="driving_cycle")
    op.drop_table("driving_cycle")
