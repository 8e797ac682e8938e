"""An alert can be announced more than once: each notice says which announcement it was."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Count from 1: what was said so far was the first announcement."""
    number = sa.Column("announcement", sa.Integer(), nullable=False, server_default="1")
    op.add_column("alert", number)
    _notice(["alert_id", "channel", "announcement"], "announcement")


def downgrade() -> None:
    """Keep the first notice of each alert only."""
    op.execute(
        sa.text(
            "DELETE FROM notice WHERE EXISTS (SELECT 1 FROM notice one "
            "WHERE one.alert_id = notice.alert_id AND one.channel = notice.channel "
            "AND one.announcement < notice.announcement)"
        )
    )
    _notice(["alert_id", "channel"])
    op.drop_column("alert", "announcement")


def _notice(key: list[str], *numbers: str) -> None:
    """Make the table anew with another key: SQLite cannot change the key of one that stands."""
    op.rename_table("notice", "notice_before")
    op.create_table(
        "notice",
        sa.Column("alert_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("channel", sa.String(length=32), nullable=False),
        *[sa.Column(one, sa.Integer(), nullable=False, server_default="1") for one in numbers],
        sa.Column("sent_at", sa.BigInteger(), nullable=False),
        sa.Column("outcome", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["alert_id"], ["alert.id"]),
        sa.PrimaryKeyConstraint(*key, name="notice_pkey1" if numbers else "notice_pkey0"),
    )
    op.execute(
        sa.text(
            "INSERT INTO notice (alert_id, channel, sent_at, outcome) "
            "SELECT alert_id, channel, sent_at, outcome FROM notice_before"
        )
    )
    op.drop_table("notice_before")
