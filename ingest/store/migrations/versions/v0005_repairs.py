"""Recorded repairs: what the shop did, for which codes."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None

_NUMBER = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Add the table, empty."""
    op.create_table(
        "repair",
        sa.Column("id", _NUMBER, nullable=False),
        sa.Column("vehicle_id", _NUMBER, nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("technician", sa.String(length=64), nullable=False),
        sa.Column("done", sa.Text(), nullable=False),
        sa.Column("codes", sa.Text(), nullable=False),
        sa.Column("codes_cleared", sa.Boolean(), nullable=True),
        sa.ForeignKeyConstraint(["vehicle_id"], ["vehicle.id"]),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("ix_repair_vehicle_id", "repair", ["vehicle_id"], unique=False)


def downgrade() -> None:
    """Take it away again: the recorded repairs are lost."""
    op.drop_index("ix_repair_vehicle_id", table_name="repair")
    op.drop_table("repair")
