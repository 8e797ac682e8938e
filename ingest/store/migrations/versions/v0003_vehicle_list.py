"""More of the vehicle list: make, registration, lay-up, drivers by day, technicians."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

_TEXTS = {
    "make": 64,
    "fuel": 32,
    "fitted_until": 10,
    "hold_reason": 500,
    "vehicle_class": 64,
    "spare_for": 64,
    "lay_up": 200,
    "duty_days": 32,
    "in_service_date": 10,
    "odometer_source": 64,
    "odometer_date": 10,
    "registration_state": 2,
    "registration_expiry": 10,
    "plate_class": 64,
    "garaging_county": 64,
    "owner": 64,
    "lessor": 64,
    "lease_end": 10,
    "certificate_number": 64,
    "certificate_until": 10,
    "retest_by": 10,
    "open_recalls": 500,
}


def upgrade() -> None:
    """Add the columns, empty, and the two tables."""
    for name, length in _TEXTS.items():
        op.add_column("vehicle", sa.Column(name, sa.String(length=length), nullable=True))
    op.add_column("vehicle", sa.Column("odometer_mi", sa.Integer(), nullable=True))
    op.create_table(
        "driver_day",
        sa.Column(
            "vehicle_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False
        ),
        sa.Column("day", sa.String(length=10), nullable=False),
        sa.Column("name", sa.String(length=64), nullable=False),
        sa.Column("phone", sa.String(length=32), nullable=True),
        sa.Column("language", sa.String(length=35), nullable=True),
        sa.Column("take_home", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(["vehicle_id"], ["vehicle.id"]),
        sa.PrimaryKeyConstraint("vehicle_id", "day", "name"),
    )
    op.create_index("driver_day_by_day", "driver_day", ["day"], unique=False)
    op.create_table(
        "technician",
        sa.Column("name", sa.String(length=64), nullable=False),
        sa.Column("depot", sa.String(length=64), nullable=False),
        sa.Column("skills", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("name"),
    )


def downgrade() -> None:
    """Take them away again: what the list said in them is lost."""
    op.drop_table("technician")
    op.drop_index("driver_day_by_day", table_name="driver_day")
    op.drop_table("driver_day")
    for name in ("odometer_mi", *_TEXTS):
        op.drop_column("vehicle", name)
