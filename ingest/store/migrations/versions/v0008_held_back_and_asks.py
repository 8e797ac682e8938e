"""Messages that wait for their turn, and what gateways were asked."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None

_NUMBER = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Add the two tables, empty."""
    op.create_table(
        "held_back",
        sa.Column("id", _NUMBER, nullable=False),
        sa.Column("gateway", sa.String(length=32), nullable=False),
        sa.Column("shard", sa.Integer(), nullable=False),
        sa.Column("topic", sa.Text(), nullable=False),
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.Column("retained", sa.Boolean(), nullable=False),
        sa.Column("received_at", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("digest"),
    )
    op.create_index("held_back_of_gateway", "held_back", ["gateway", "id"])
    op.create_table(
        "ask",
        sa.Column("ask_id", sa.String(length=36), nullable=False),
        sa.Column("gateway", sa.String(length=32), nullable=False),
        sa.Column("want", sa.String(length=8), nullable=False),
        sa.Column("why", sa.Text(), nullable=False),
        sa.Column("asked_by", sa.String(length=64), nullable=False),
        sa.Column("asked_at", sa.BigInteger(), nullable=False),
        sa.Column("sent_at", sa.BigInteger(), nullable=True),
        sa.PrimaryKeyConstraint("ask_id"),
    )
    op.create_index("ix_ask_gateway", "ask", ["gateway"])


def downgrade() -> None:
    """Take them away again: what still waited is sent again by its gateway, not being receipted."""
    op.drop_index("ix_ask_gateway", table_name="ask")
    op.drop_table("ask")
    op.drop_index("held_back_of_gateway", table_name="held_back")
    op.drop_table("held_back")
