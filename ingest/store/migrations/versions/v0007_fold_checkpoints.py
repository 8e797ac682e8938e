"""States of the fold at intervals, the stamp of each state, and reports in the order of folding."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None

_NUMBER = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
_OLD = ["vehicle_id", "journal_created_at", "journal", "seq"]


def upgrade() -> None:
    """Add the stamp (no writer gives 0), the table, and the index in the whole order of folding."""
    op.add_column(
        "vehicle_state", sa.Column("stamp", sa.BigInteger(), nullable=False, server_default="0")
    )
    op.create_table(
        "fold_checkpoint",
        sa.Column("vehicle_id", _NUMBER, nullable=False),
        sa.Column("reports", sa.BigInteger(), nullable=False, autoincrement=False),
        sa.Column("fold_version", sa.Integer(), nullable=False),
        sa.Column("last_fitted_from", sa.BigInteger(), nullable=False),
        sa.Column("last_created_at", sa.BigInteger(), nullable=False),
        sa.Column("last_journal", sa.String(length=36), nullable=False),
        sa.Column("last_seq", sa.BigInteger(), nullable=False),
        sa.Column("state", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["vehicle_id"], ["vehicle.id"]),
        sa.PrimaryKeyConstraint("vehicle_id", "reports"),
    )
    op.drop_index("report_of_vehicle", table_name="report")
    op.create_index("report_of_vehicle", "report", ["vehicle_id", "fitted_from", *_OLD[1:]])


def downgrade() -> None:
    """Take them away again: states are folded from the reports anew when they are wanted."""
    op.drop_index("report_of_vehicle", table_name="report")
    op.create_index("report_of_vehicle", "report", _OLD)
    op.drop_table("fold_checkpoint")
    op.drop_column("vehicle_state", "stamp")
