"""Who withdrew an entry and why, the connector as looked at, and vehicles out of the area."""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None

_NUMBER = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def _withdrawn() -> list[sa.Column[Any]]:
    return [
        sa.Column("withdrawn_at", sa.BigInteger(), nullable=True),
        sa.Column("withdrawn_by", sa.String(length=64), nullable=True),
        sa.Column("withdrawn_why", sa.Text(), nullable=True),
    ]


def upgrade() -> None:
    """Add the columns, empty, and the table."""
    for column in _withdrawn()[1:]:
        op.add_column("inspection", column)
    for column in (*_withdrawn(), sa.Column("connector_works", sa.Boolean(), nullable=True)):
        op.add_column("walk_around", column)
    op.create_table(
        "out_of_area",
        sa.Column("id", _NUMBER, nullable=False),
        sa.Column("vehicle_id", _NUMBER, nullable=False),
        sa.Column("program", sa.String(length=64), nullable=False),
        sa.Column("status", sa.String(length=16), nullable=False),
        sa.Column("since", sa.String(length=10), nullable=False),
        sa.Column("until", sa.String(length=10), nullable=True),
        sa.Column("place", sa.String(length=64), nullable=False),
        sa.Column("proof", sa.String(length=64), nullable=True),
        sa.Column("proof_day", sa.String(length=10), nullable=True),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("entered_by", sa.String(length=64), nullable=False),
        sa.Column("entered_at", sa.BigInteger(), nullable=False),
        *_withdrawn(),
        sa.ForeignKeyConstraint(["vehicle_id"], ["vehicle.id"]),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("ix_out_of_area_vehicle_id", "out_of_area", ["vehicle_id"], unique=False)


def downgrade() -> None:
    """Take them away again: what people entered in them is lost."""
    op.drop_index("ix_out_of_area_vehicle_id", table_name="out_of_area")
    op.drop_table("out_of_area")
    for name in ("connector_works", *(one.name for one in _withdrawn())):
        op.drop_column("walk_around", name)
    for one in _withdrawn()[1:]:
        op.drop_column("inspection", one.name)
