"""What forecasts said, to be held against what came."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None

_NUMBER = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Add the table, empty."""
    op.create_table(
        "forecast_said",
        sa.Column("vehicle_id", _NUMBER, nullable=False),
        sa.Column("since", sa.BigInteger(), nullable=False, autoincrement=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["vehicle_id"], ["vehicle.id"]),
        sa.PrimaryKeyConstraint("vehicle_id", "since"),
    )
    op.create_index("ix_forecast_said_at", "forecast_said", ["at"])


def downgrade() -> None:
    """Take it away again: forecasts stand uncalibrated until enough are made anew."""
    op.drop_index("ix_forecast_said_at", table_name="forecast_said")
    op.drop_table("forecast_said")
