"""Results of official inspections, and what people saw of the lamp on a walk-around."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

_NUMBER = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Add the two tables, empty."""
    op.create_table(
        "inspection",
        sa.Column("id", _NUMBER, nullable=False),
        sa.Column("vehicle_id", _NUMBER, nullable=False),
        sa.Column("program", sa.String(length=64), nullable=False),
        sa.Column("day", sa.String(length=10), nullable=False),
        sa.Column("result", sa.String(length=16), nullable=False),
        sa.Column("codes", sa.Text(), nullable=False),
        sa.Column("monitors", sa.Text(), nullable=False),
        sa.Column("certificate", sa.String(length=64), nullable=True),
        sa.Column("valid_until", sa.String(length=10), nullable=True),
        sa.Column("retest_by", sa.String(length=10), nullable=True),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("entered_by", sa.String(length=64), nullable=False),
        sa.Column("entered_at", sa.BigInteger(), nullable=False),
        sa.Column("withdrawn_at", sa.BigInteger(), nullable=True),
        sa.ForeignKeyConstraint(["vehicle_id"], ["vehicle.id"]),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("ix_inspection_vehicle_id", "inspection", ["vehicle_id"], unique=False)
    op.create_table(
        "walk_around",
        sa.Column("id", _NUMBER, nullable=False),
        sa.Column("vehicle_id", _NUMBER, nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("lit_at_key_on", sa.Boolean(), nullable=True),
        sa.Column("lit_while_running", sa.Boolean(), nullable=True),
        sa.Column("seen_by", sa.String(length=64), nullable=False),
        sa.ForeignKeyConstraint(["vehicle_id"], ["vehicle.id"]),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("ix_walk_around_vehicle_id", "walk_around", ["vehicle_id"], unique=False)


def downgrade() -> None:
    """Take them away again: what people entered in them is lost."""
    op.drop_index("ix_walk_around_vehicle_id", table_name="walk_around")
    op.drop_table("walk_around")
    op.drop_index("ix_inspection_vehicle_id", table_name="inspection")
    op.drop_table("inspection")
