"""The first tables of the store."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make every table."""
    op.create_table(
        "audit",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("actor", sa.String(length=64), nullable=False),
        sa.Column("request_id", sa.String(length=64), nullable=False),
        sa.Column("command", sa.String(length=64), nullable=False),
        sa.Column("payload", sa.Text(), nullable=False),
        sa.Column("result", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("request_id"),
    )
    op.create_table(
        "dead_letter",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("topic", sa.Text(), nullable=False),
        sa.Column("topic_digest", sa.String(length=64), nullable=False),
        sa.Column("gateway", sa.String(length=32), nullable=True),
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.Column("reasons", sa.Text(), nullable=False),
        sa.Column("received_at", sa.BigInteger(), nullable=False),
        sa.Column("last_seen_at", sa.BigInteger(), nullable=False),
        sa.Column("times_seen", sa.Integer(), nullable=False),
        sa.Column("replayed_at", sa.BigInteger(), nullable=True),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("topic_digest", "digest", name="dead_letter_once"),
    )
    op.create_index(op.f("ix_dead_letter_gateway"), "dead_letter", ["gateway"], unique=False)
    op.create_table(
        "depot",
        sa.Column("name", sa.String(length=64), nullable=False),
        sa.Column("tz", sa.String(length=64), nullable=False),
        sa.Column("bays", sa.Text(), nullable=False),
        sa.Column("weekdays", sa.String(length=16), nullable=False),
        sa.Column("opens", sa.String(length=5), nullable=False),
        sa.Column("closes", sa.String(length=5), nullable=False),
        sa.Column("closed_days", sa.Text(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("name"),
    )
    op.create_table(
        "fleet_meta",
        sa.Column("name", sa.String(length=64), nullable=False),
        sa.Column("value", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("name"),
    )
    op.create_table(
        "gateway_journal",
        sa.Column("gateway", sa.String(length=32), nullable=False),
        sa.Column("journal", sa.String(length=36), nullable=False),
        sa.Column("created_at", sa.BigInteger(), nullable=False),
        sa.Column("spans", sa.Text(), nullable=False),
        sa.Column("updated_at", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("gateway", "journal"),
    )
    op.create_table(
        "lost_reports",
        sa.Column("gateway", sa.String(length=32), nullable=False),
        sa.Column("journal", sa.String(length=36), nullable=False),
        sa.Column("first_seq", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("last_seq", sa.BigInteger(), nullable=False),
        sa.Column("found_at", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("gateway", "journal", "first_seq"),
    )
    op.create_table(
        "presence",
        sa.Column("gateway", sa.String(length=32), nullable=False),
        sa.Column("state", sa.String(length=16), nullable=False),
        sa.Column("journal", sa.String(length=36), nullable=False),
        sa.Column("boot_no", sa.BigInteger(), nullable=False),
        sa.Column("connection_no", sa.BigInteger(), nullable=False),
        sa.Column("oldest_kept", sa.BigInteger(), nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=True),
        sa.Column("wake_by", sa.BigInteger(), nullable=True),
        sa.Column("received_at", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("gateway"),
    )
    op.create_table(
        "report",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("gateway", sa.String(length=32), nullable=False),
        sa.Column("journal", sa.String(length=36), nullable=False),
        sa.Column("seq", sa.BigInteger(), nullable=False),
        sa.Column("vehicle_id", sa.BigInteger(), nullable=True),
        sa.Column("fitted_from", sa.BigInteger(), nullable=True),
        sa.Column("journal_created_at", sa.BigInteger(), nullable=False),
        sa.Column("taken_at", sa.BigInteger(), nullable=True),
        sa.Column("observed_at", sa.BigInteger(), nullable=True),
        sa.Column("received_at", sa.BigInteger(), nullable=False),
        sa.Column("reason", sa.String(length=16), nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("report_of_gateway", "report", ["gateway", "journal", "seq"], unique=False)
    op.create_index(
        "report_of_vehicle",
        "report",
        ["vehicle_id", "journal_created_at", "journal", "seq"],
        unique=False,
    )
    op.create_table(
        "report_key",
        sa.Column("gateway", sa.String(length=32), nullable=False),
        sa.Column("journal", sa.String(length=36), nullable=False),
        sa.Column("seq", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.Column("received_at", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("gateway", "journal", "seq"),
    )
    op.create_table(
        "security_event",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("kind", sa.String(length=32), nullable=False),
        sa.Column("gateway", sa.String(length=32), nullable=True),
        sa.Column("detail", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_table(
        "vehicle",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("unit", sa.String(length=64), nullable=False),
        sa.Column("vin", sa.String(length=32), nullable=False),
        sa.Column("plate", sa.String(length=32), nullable=True),
        sa.Column("depot", sa.String(length=64), nullable=False),
        sa.Column("depot_tz", sa.String(length=64), nullable=False),
        sa.Column("program", sa.String(length=64), nullable=False),
        sa.Column("model_year", sa.Integer(), nullable=False),
        sa.Column("ignition", sa.String(length=16), nullable=False),
        sa.Column("gvwr_lb", sa.Integer(), nullable=True),
        sa.Column("gateway", sa.String(length=32), nullable=True),
        sa.Column("fitted_from", sa.String(length=10), nullable=True),
        sa.Column("due_date", sa.String(length=10), nullable=True),
        sa.Column("state", sa.String(length=32), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("unit"),
        sa.UniqueConstraint("vin"),
    )
    op.create_index(op.f("ix_vehicle_depot"), "vehicle", ["depot"], unique=False)
    op.create_index(op.f("ix_vehicle_gateway"), "vehicle", ["gateway"], unique=False)
    op.create_table(
        "appointment",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column(
            "vehicle_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False
        ),
        sa.Column("depot", sa.String(length=64), nullable=False),
        sa.Column("bay", sa.String(length=32), nullable=False),
        sa.Column("start", sa.BigInteger(), nullable=False),
        sa.Column("end", sa.BigInteger(), nullable=False),
        sa.Column("hours", sa.Float(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("state", sa.String(length=16), nullable=False),
        sa.Column("locked", sa.Boolean(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("created_by", sa.String(length=64), nullable=False),
        sa.Column("created_at", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(
            ["vehicle_id"],
            ["vehicle.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("appointment_of_depot", "appointment", ["depot", "start"], unique=False)
    op.create_index(op.f("ix_appointment_vehicle_id"), "appointment", ["vehicle_id"], unique=False)
    op.create_table(
        "current_code",
        sa.Column(
            "vehicle_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False
        ),
        sa.Column("ecu", sa.String(length=8), nullable=False),
        sa.Column("code", sa.String(length=5), nullable=False),
        sa.Column("kind", sa.String(length=16), nullable=False),
        sa.ForeignKeyConstraint(
            ["vehicle_id"],
            ["vehicle.id"],
        ),
        sa.PrimaryKeyConstraint("vehicle_id", "ecu", "code", "kind"),
    )
    op.create_table(
        "current_lamp",
        sa.Column(
            "vehicle_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False
        ),
        sa.Column("ecu", sa.String(length=8), nullable=False),
        sa.Column("commanded", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(
            ["vehicle_id"],
            ["vehicle.id"],
        ),
        sa.PrimaryKeyConstraint("vehicle_id", "ecu"),
    )
    op.create_table(
        "current_monitor",
        sa.Column(
            "vehicle_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False
        ),
        sa.Column("ecu", sa.String(length=8), nullable=False),
        sa.Column("monitor", sa.String(length=40), nullable=False),
        sa.Column("complete", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(
            ["vehicle_id"],
            ["vehicle.id"],
        ),
        sa.PrimaryKeyConstraint("vehicle_id", "ecu", "monitor"),
    )
    op.create_table(
        "episode",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column(
            "vehicle_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False
        ),
        sa.Column("kind", sa.String(length=32), nullable=False),
        sa.Column("subject", sa.String(length=64), nullable=False),
        sa.Column("natural", sa.String(length=200), nullable=False),
        sa.Column("started_at", sa.BigInteger(), nullable=False),
        sa.Column("ended_at", sa.BigInteger(), nullable=True),
        sa.Column("start_journal", sa.String(length=36), nullable=False),
        sa.Column("start_seq", sa.BigInteger(), nullable=False),
        sa.Column("end_journal", sa.String(length=36), nullable=True),
        sa.Column("end_seq", sa.BigInteger(), nullable=True),
        sa.Column("details", sa.Text(), nullable=False),
        sa.Column("withdrawn_reason", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(
            ["vehicle_id"],
            ["vehicle.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("episode_natural", "episode", ["vehicle_id", "natural"], unique=False)
    op.create_index(
        "episode_of_vehicle", "episode", ["vehicle_id", "kind", "started_at"], unique=False
    )
    op.create_table(
        "fitting",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column(
            "vehicle_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False
        ),
        sa.Column("gateway", sa.String(length=32), nullable=False),
        sa.Column("fitted_from", sa.BigInteger(), nullable=False),
        sa.Column("fitted_to", sa.BigInteger(), nullable=True),
        sa.ForeignKeyConstraint(
            ["vehicle_id"],
            ["vehicle.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index(op.f("ix_fitting_gateway"), "fitting", ["gateway"], unique=False)
    op.create_index(op.f("ix_fitting_vehicle_id"), "fitting", ["vehicle_id"], unique=False)
    op.create_table(
        "vehicle_state",
        sa.Column(
            "vehicle_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False
        ),
        sa.Column("fold_version", sa.Integer(), nullable=False),
        sa.Column("state", sa.LargeBinary(), nullable=False),
        sa.Column("last_fitted_from", sa.BigInteger(), nullable=False),
        sa.Column("last_created_at", sa.BigInteger(), nullable=False),
        sa.Column("last_journal", sa.String(length=36), nullable=False),
        sa.Column("last_seq", sa.BigInteger(), nullable=False),
        sa.Column("reports", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(
            ["vehicle_id"],
            ["vehicle.id"],
        ),
        sa.PrimaryKeyConstraint("vehicle_id"),
    )
    op.create_table(
        "alert",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column(
            "vehicle_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False
        ),
        sa.Column("kind", sa.String(length=32), nullable=False),
        sa.Column("subject", sa.String(length=64), nullable=False),
        sa.Column(
            "episode_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True
        ),
        sa.Column("state", sa.String(length=48), nullable=False),
        sa.Column("priority", sa.String(length=16), nullable=False),
        sa.Column("since", sa.BigInteger(), nullable=False),
        sa.Column("ended_at", sa.BigInteger(), nullable=True),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("instruction", sa.Text(), nullable=False),
        sa.Column("shelved_until", sa.BigInteger(), nullable=True),
        sa.Column("shelved_reason", sa.Text(), nullable=True),
        sa.Column("suppressed", sa.Boolean(), nullable=False),
        sa.Column("announce", sa.Boolean(), nullable=False),
        sa.Column("raised_at", sa.BigInteger(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["episode_id"],
            ["episode.id"],
        ),
        sa.ForeignKeyConstraint(
            ["vehicle_id"],
            ["vehicle.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("kind", "episode_id", name="alert_once_per_episode"),
    )
    op.create_index("alert_by_state", "alert", ["state"], unique=False)
    op.create_index("alert_of_vehicle", "alert", ["vehicle_id", "kind", "subject"], unique=False)
    op.create_table(
        "appointment_slot",
        sa.Column("bay_id", sa.String(length=100), nullable=False),
        sa.Column("slot_start", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column(
            "appointment_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False
        ),
        sa.ForeignKeyConstraint(
            ["appointment_id"],
            ["appointment.id"],
        ),
        sa.PrimaryKeyConstraint("bay_id", "slot_start"),
    )
    op.create_index(
        op.f("ix_appointment_slot_appointment_id"),
        "appointment_slot",
        ["appointment_id"],
        unique=False,
    )
    op.create_table(
        "alert_event",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("alert_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("event", sa.String(length=48), nullable=False),
        sa.Column("from_state", sa.String(length=48), nullable=True),
        sa.Column("to_state", sa.String(length=48), nullable=False),
        sa.Column("actor", sa.String(length=64), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["alert_id"],
            ["alert.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index(op.f("ix_alert_event_alert_id"), "alert_event", ["alert_id"], unique=False)
    op.create_table(
        "notice",
        sa.Column("alert_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("channel", sa.String(length=32), nullable=False),
        sa.Column("sent_at", sa.BigInteger(), nullable=False),
        sa.Column("outcome", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["alert_id"],
            ["alert.id"],
        ),
        sa.PrimaryKeyConstraint("alert_id", "channel"),
    )


def downgrade() -> None:
    """There is nothing before the first tables: the history is not thrown away by a command."""
    raise NotImplementedError("the first edition cannot be taken back; restore a copy instead")
