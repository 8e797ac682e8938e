"""A report's key holds no more than where its report is, and new keys may gather by themselves."""

from __future__ import annotations

import hashlib
from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0016"
down_revision = "0015"
branch_labels = None
depends_on = None

AT_ONCE = 1000
_IN_ORDER = (
    "INSERT INTO lean_key SELECT gateway, journal, seq, report_id FROM report_key"
    " ORDER BY gateway, journal, seq"
)
_TOGETHER = "INSERT INTO report_key SELECT * FROM report_key_recent"
_WITH_REPORTS = (
    "SELECT report_key.*, report.received_at, report.body FROM report_key"
    " JOIN report ON report.id = report_key.report_id"
)


def _columns(*others: sa.Column[Any]) -> list[sa.Column[Any]]:
    return [
        sa.Column("gateway", sa.String(length=32), primary_key=True),
        sa.Column("journal", sa.String(length=36), primary_key=True),
        sa.Column("seq", sa.BigInteger(), primary_key=True, autoincrement=False),
        *others,
    ]


def upgrade() -> None:
    """Copy the keys without what their reports say, too; make room for new ones."""
    for name in ("lean_key", "report_key_recent"):
        row = sa.Column("report_id", sa.BigInteger(), nullable=False)
        op.create_table(name, *_columns(row), sqlite_with_rowid=False)
    op.execute(_IN_ORDER)
    op.drop_table("report_key")
    op.rename_table("lean_key", "report_key")


def downgrade() -> None:
    """Put all keys into one table, each with the digest of its report's body again."""
    op.execute(_TOGETHER)
    op.drop_table("report_key_recent")
    fuller = op.create_table(
        "fuller_key",
        *_columns(
            sa.Column("digest", sa.String(length=64), nullable=False),
            sa.Column("received_at", sa.BigInteger(), nullable=False),
            sa.Column("report_id", sa.BigInteger(), nullable=False, server_default="0"),
        ),
    )
    connection = op.get_bind()
    found = connection.execute(sa.text(_WITH_REPORTS).execution_options(yield_per=AT_ONCE))
    for part in found.mappings().partitions():
        rows = [dict(one) for one in part]
        for one in rows:
            one["digest"] = hashlib.sha256(one.pop("body")).hexdigest()
        connection.execute(sa.insert(fuller), rows)
    op.drop_table("report_key")
    op.rename_table("fuller_key", "report_key")
