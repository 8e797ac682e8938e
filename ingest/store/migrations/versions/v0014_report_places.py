"""Reports are found by their key and by the journals of a vehicle, no more by two long indexes."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0014"
down_revision = "0013"
branch_labels = None
depends_on = None

_NUMBER = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
_OF_VEHICLE = ["vehicle_id", "fitted_from", "journal_created_at", "journal", "seq"]
_IN_KEY = (
    "UPDATE report_key SET report_id = (SELECT report.id FROM report"
    " WHERE report.gateway = report_key.gateway AND report.journal = report_key.journal"
    " AND report.seq = report_key.seq)"
    " WHERE EXISTS (SELECT 1 FROM report"
    " WHERE report.gateway = report_key.gateway AND report.journal = report_key.journal"
    " AND report.seq = report_key.seq)"
)
_PLACES = (
    "INSERT INTO vehicle_journal (vehicle_id, fitted_from, journal_created_at, journal, gateway)"
    " SELECT DISTINCT vehicle_id, fitted_from, journal_created_at, journal, gateway FROM report"
    " WHERE vehicle_id IS NOT NULL AND fitted_from IS NOT NULL"
)


def upgrade() -> None:
    """Put the row of each report into its key, and the journals of each vehicle into a table."""
    op.add_column(
        "report_key", sa.Column("report_id", sa.BigInteger(), nullable=False, server_default="0")
    )
    op.execute(_IN_KEY)
    op.create_table(
        "vehicle_journal",
        sa.Column("vehicle_id", _NUMBER, nullable=False),
        sa.Column("fitted_from", sa.BigInteger(), nullable=False, autoincrement=False),
        sa.Column("journal_created_at", sa.BigInteger(), nullable=False, autoincrement=False),
        sa.Column("journal", sa.String(length=36), nullable=False),
        sa.Column("gateway", sa.String(length=32), nullable=False),
        sa.ForeignKeyConstraint(["vehicle_id"], ["vehicle.id"]),
        sa.PrimaryKeyConstraint(
            "vehicle_id", "fitted_from", "journal_created_at", "journal", "gateway"
        ),
    )
    op.execute(_PLACES)
    op.drop_index("report_of_vehicle", table_name="report")
    op.drop_index("report_of_gateway", table_name="report")
    for name, columns, where in (
        ("report_unlisted", ["gateway"], sa.text("vehicle_id IS NULL")),
        ("report_full", ["gateway", "journal", "vehicle_id"], sa.text("reason = 'full'")),
    ):
        op.create_index(name, "report", columns, sqlite_where=where, postgresql_where=where)


def downgrade() -> None:
    """Find them by the two indexes again."""
    op.drop_index("report_full", table_name="report")
    op.drop_index("report_unlisted", table_name="report")
    op.create_index("report_of_vehicle", "report", _OF_VEHICLE)
    op.create_index("report_of_gateway", "report", ["gateway", "journal", "seq"])
    op.drop_table("vehicle_journal")
    op.drop_column("report_key", "report_id")
