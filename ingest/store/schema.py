"""The tables of the store, as SQLAlchemy Core metadata.

Every time is an integer: milliseconds since 1970-01-01 UTC (databases differ in what they keep of
a zone; an integer is the same everywhere). Lists and objects are JSON text written and read by us;
no SQL JSON function is used.
"""

from __future__ import annotations

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Float,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    String,
    Table,
    Text,
    UniqueConstraint,
    text,
)

from ingest.store import entered_schema, forecast_schema, intake_schema, particulars, table_base
from ingest.store.table_base import Millis, Surrogate

metadata = table_base.metadata

meta = Table(
    "fleet_meta",
    metadata,
    Column("name", String(64), primary_key=True),
    Column("value", Text, nullable=False),
)

vehicle = Table(
    "vehicle",
    metadata,
    Column("id", Surrogate, primary_key=True),
    Column("unit", String(64), nullable=False, unique=True),
    Column("vin", String(32), nullable=False, unique=True),
    Column("plate", String(32)),
    Column("depot", String(64), nullable=False, index=True),
    Column("depot_tz", String(64), nullable=False),
    Column("program", String(64), nullable=False),
    Column("model_year", Integer, nullable=False),
    Column("ignition", String(16), nullable=False),
    Column("gvwr_lb", Integer),
    Column("gateway", String(32), index=True),
    Column("fitted_from", String(10)),
    Column("due_date", String(10)),
    Column("state", String(32), nullable=False),
    Column("version", Integer, nullable=False, default=1),
    *particulars.columns(),
)

driver_day = Table(
    "driver_day",
    metadata,
    Column("vehicle_id", ForeignKey("vehicle.id"), primary_key=True),
    Column("day", String(10), primary_key=True),  # the depot's own day
    Column("name", String(64), primary_key=True),
    Column("phone", String(32)),
    Column("language", String(35)),
    Column("take_home", Boolean, nullable=False),
    Index("driver_day_by_day", "day"),
)

fitting = Table(
    "fitting",
    metadata,
    Column("id", Surrogate, primary_key=True),
    Column("vehicle_id", ForeignKey("vehicle.id"), nullable=False, index=True),
    Column("gateway", String(32), nullable=False, index=True),
    Column("fitted_from", Millis, nullable=False),
    Column("fitted_to", Millis),
)

depot = Table(
    "depot",
    metadata,
    Column("name", String(64), primary_key=True),
    Column("tz", String(64), nullable=False),
    Column("bays", Text, nullable=False),  # JSON list of names
    Column("weekdays", String(16), nullable=False),  # "01234", Monday is 0
    Column("opens", String(5), nullable=False),  # "07:00" on the depot's own clock
    Column("closes", String(5), nullable=False),
    Column("closed_days", Text, nullable=False),  # JSON list of dates
    Column("version", Integer, nullable=False, default=1),
)

technician = Table(
    "technician",
    metadata,
    Column("name", String(64), primary_key=True),
    Column("depot", String(64), nullable=False),
    Column("skills", Text, nullable=False),  # JSON list
)

report_key, report_key_recent = (  # see `ingest.store.report_keys`
    Table(
        name,
        metadata,
        Column("gateway", String(32), primary_key=True),
        Column("journal", String(36), primary_key=True),
        Column("seq", BigInteger, primary_key=True, autoincrement=False),
        Column("report_id", BigInteger, nullable=False),
        sqlite_with_rowid=False,  # the row stands in its key's index and nowhere else
    )
    for name in ("report_key", "report_key_recent")
)

_IS_UNLISTED, _IS_FULL = text("vehicle_id IS NULL"), text("reason = 'full'")
report = Table(
    "report",
    metadata,
    Column("id", Surrogate, primary_key=True),
    Column("gateway", String(32), nullable=False),
    Column("journal", String(36), nullable=False),
    Column("seq", BigInteger, nullable=False),
    Column("vehicle_id", BigInteger),
    Column("fitted_from", Millis),
    Column("journal_created_at", Millis, nullable=False),
    Column("taken_at", Millis),
    Column("observed_at", Millis),
    Column("received_at", Millis, nullable=False),
    Column("reason", String(16), nullable=False),
    Column("body", LargeBinary, nullable=False),
    # Found by key and by `vehicle_journal`. An index of every report is dear: these hold few.
    Index(
        "report_unlisted", "gateway", sqlite_where=_IS_UNLISTED, postgresql_where=_IS_UNLISTED
    ),
    Index(
        "report_full", "gateway", "journal", "vehicle_id",
        sqlite_where=_IS_FULL, postgresql_where=_IS_FULL,
    ),
)  # fmt: skip

vehicle_journal = Table(
    "vehicle_journal",  # where the reports of a vehicle stand: one row a fitting and journal
    metadata,
    Column("vehicle_id", ForeignKey("vehicle.id"), primary_key=True),
    Column("fitted_from", Millis, primary_key=True, autoincrement=False),
    Column("journal_created_at", Millis, primary_key=True, autoincrement=False),
    Column("journal", String(36), primary_key=True),
    Column("gateway", String(32), primary_key=True),
)

dead_letter = Table(
    "dead_letter",
    metadata,
    Column("id", Surrogate, primary_key=True),
    Column("topic", Text, nullable=False),
    Column("topic_digest", String(64), nullable=False),
    Column("gateway", String(32)),
    Column("digest", String(64), nullable=False),
    Column("body", LargeBinary, nullable=False),
    Column("reasons", Text, nullable=False),  # JSON list of sentences
    Column("received_at", Millis, nullable=False),
    Column("last_seen_at", Millis, nullable=False),
    Column("times_seen", Integer, nullable=False),
    Column("replayed_at", Millis),
    UniqueConstraint("topic_digest", "digest", name="dead_letter_once"),
    Index("dead_letter_of_gateway", "gateway", "last_seen_at", "id"),
)

security_event = Table(
    "security_event",
    metadata,
    Column("id", Surrogate, primary_key=True),
    Column("at", Millis, nullable=False),
    Column("kind", String(32), nullable=False),
    Column("gateway", String(32)),
    Column("detail", Text, nullable=False),
)

presence = Table(
    "presence",
    metadata,
    Column("gateway", String(32), primary_key=True),
    Column("state", String(16), nullable=False),
    Column("journal", String(36), nullable=False),
    Column("boot_no", BigInteger, nullable=False),
    Column("connection_no", BigInteger, nullable=False),
    Column("oldest_kept", BigInteger, nullable=False),
    Column("at", Millis),
    Column("wake_by", Millis),
    Column("received_at", Millis, nullable=False),
)

gateway_journal = Table(
    "gateway_journal",
    metadata,
    Column("gateway", String(32), primary_key=True),
    Column("journal", String(36), primary_key=True),
    Column("created_at", Millis, nullable=False),
    Column("spans", Text, nullable=False),  # JSON list of [first, last], committed or dropped
    Column("updated_at", Millis, nullable=False),
)

lost_reports = Table(
    "lost_reports",
    metadata,
    Column("gateway", String(32), primary_key=True),
    Column("journal", String(36), primary_key=True),
    Column("first_seq", BigInteger, primary_key=True, autoincrement=False),
    Column("last_seq", BigInteger, nullable=False),
    Column("found_at", Millis, nullable=False),
)


def _position() -> list[Column[object]]:
    """The place of the last report folded in the order of its vehicle."""
    return [
        Column("last_fitted_from", Millis, nullable=False),
        Column("last_created_at", Millis, nullable=False),
        Column("last_journal", String(36), nullable=False),
        Column("last_seq", BigInteger, nullable=False),
    ]


vehicle_state = Table(
    "vehicle_state",
    metadata,
    Column("vehicle_id", ForeignKey("vehicle.id"), primary_key=True),
    Column("fold_version", Integer, nullable=False),
    Column("state", LargeBinary, nullable=False),
    *_position(),
    Column("reports", BigInteger, nullable=False),
    Column("stamp", BigInteger, nullable=False, server_default="0"),  # the writing transaction's
)

fold_checkpoint = Table(
    "fold_checkpoint",
    metadata,
    Column("vehicle_id", ForeignKey("vehicle.id"), primary_key=True),
    Column("reports", BigInteger, primary_key=True, autoincrement=False),
    Column("fold_version", Integer, nullable=False),
    *_position(),
    Column("state", LargeBinary, nullable=False),
)

current_monitor = Table(
    "current_monitor",
    metadata,
    Column("vehicle_id", ForeignKey("vehicle.id"), primary_key=True),
    Column("ecu", String(8), primary_key=True),
    Column("monitor", String(40), primary_key=True),
    Column("complete", Boolean, nullable=False),
)

current_code = Table(
    "current_code",
    metadata,
    Column("vehicle_id", ForeignKey("vehicle.id"), primary_key=True),
    Column("ecu", String(8), primary_key=True),
    Column("code", String(5), primary_key=True),
    Column("kind", String(16), primary_key=True),
)

current_lamp = Table(
    "current_lamp",
    metadata,
    Column("vehicle_id", ForeignKey("vehicle.id"), primary_key=True),
    Column("ecu", String(8), primary_key=True),
    Column("commanded", Boolean, nullable=False),
)

_IS_OPEN = text("ended_at IS NULL AND withdrawn_reason IS NULL")

episode = Table(
    "episode",
    metadata,
    Column("id", Surrogate, primary_key=True),
    Column("vehicle_id", ForeignKey("vehicle.id"), nullable=False),
    Column("kind", String(32), nullable=False),
    Column("subject", String(64), nullable=False),
    Column("natural", String(200), nullable=False),
    Column("started_at", Millis, nullable=False),
    Column("ended_at", Millis),
    Column("start_journal", String(36), nullable=False),
    Column("start_seq", BigInteger, nullable=False),
    Column("end_journal", String(36)),
    Column("end_seq", BigInteger),
    Column("details", Text, nullable=False),
    Column("withdrawn_reason", Text),
    Index("episode_of_vehicle", "vehicle_id", "kind", "started_at"),
    Index("episode_of_reading", "vehicle_id", "start_journal", "start_seq"),
    Index("episode_open", "vehicle_id", sqlite_where=_IS_OPEN, postgresql_where=_IS_OPEN),
)

driving_cycle = Table(
    "driving_cycle",
    metadata,
    Column("vehicle_id", ForeignKey("vehicle.id"), primary_key=True),
    Column("journal", String(36), primary_key=True),
    Column("seq", BigInteger, primary_key=True, autoincrement=False),
    Column("observed_at", Millis, nullable=False),
    Column("started_at", Millis, nullable=False),
    Column("ended_at", Millis, nullable=False),
    Column("summary", Text, nullable=False),  # JSON of ingest.domain.cycles.Cycle
    Index("driving_cycle_of_vehicle", "vehicle_id", "observed_at"),
)

alert = Table(
    "alert",
    metadata,
    Column("id", Surrogate, primary_key=True),
    Column("vehicle_id", ForeignKey("vehicle.id"), nullable=False),
    Column("kind", String(32), nullable=False),
    Column("subject", String(64), nullable=False),
    Column("episode_id", ForeignKey("episode.id")),
    Column("state", String(48), nullable=False),
    Column("priority", String(16), nullable=False),
    Column("since", Millis, nullable=False),
    Column("ended_at", Millis),
    Column("text", Text, nullable=False),
    Column("instruction", Text, nullable=False),
    Column("shelved_until", Millis),
    Column("shelved_reason", Text),
    Column("suppressed", Boolean, nullable=False, default=False),
    Column("announce", Boolean, nullable=False, default=False),
    Column("announcement", Integer, nullable=False, default=1, server_default="1"),
    Column("raised_at", Millis, nullable=False),
    Column("version", Integer, nullable=False, default=1),
    Index("alert_of_vehicle", "vehicle_id", "kind", "subject"),
    Index("alert_by_state", "state"),
    UniqueConstraint("kind", "episode_id", name="alert_once_per_episode"),
)

alert_event = Table(
    "alert_event",
    metadata,
    Column("id", Surrogate, primary_key=True),
    Column("alert_id", ForeignKey("alert.id"), nullable=False, index=True),
    Column("at", Millis, nullable=False),
    Column("event", String(48), nullable=False),
    Column("from_state", String(48)),
    Column("to_state", String(48), nullable=False),
    Column("actor", String(64), nullable=False),
    Column("note", Text, nullable=False),
)

notice = Table(
    "notice",
    metadata,
    Column("alert_id", ForeignKey("alert.id"), primary_key=True),
    Column("channel", String(32), primary_key=True),
    Column("announcement", Integer, primary_key=True, autoincrement=False, server_default="1"),
    Column("sent_at", Millis, nullable=False),
    Column("outcome", Text, nullable=False),
)

appointment = Table(
    "appointment",
    metadata,
    Column("id", Surrogate, primary_key=True),
    Column("vehicle_id", ForeignKey("vehicle.id"), nullable=False, index=True),
    Column("depot", String(64), nullable=False),
    Column("bay", String(32), nullable=False),
    Column("start", Millis, nullable=False),
    Column("end", Millis, nullable=False),
    Column("hours", Float, nullable=False),
    Column("reason", Text, nullable=False),
    Column("state", String(16), nullable=False),  # booked, cancelled
    Column("locked", Boolean, nullable=False, default=True),
    Column("version", Integer, nullable=False),
    Column("created_by", String(64), nullable=False),
    Column("created_at", Millis, nullable=False),
    Index("appointment_of_depot", "depot", "start"),
)

appointment_slot = Table(
    "appointment_slot",
    metadata,
    Column("bay_id", String(100), primary_key=True),
    Column("slot_start", Millis, primary_key=True, autoincrement=False),
    Column("appointment_id", ForeignKey("appointment.id"), nullable=False, index=True),
)

audit = Table(
    "audit",
    metadata,
    Column("id", Surrogate, primary_key=True),
    Column("at", Millis, nullable=False),
    Column("actor", String(64), nullable=False),
    Column("request_id", String(64), nullable=False, unique=True),
    Column("command", String(64), nullable=False),
    Column("payload", Text, nullable=False),
    Column("result", Text, nullable=False),
)

ENTERED = entered_schema.TABLES
"""The rest of the tables: what people enter of one vehicle."""
INTAKE = intake_schema.TABLES
"""And those beside the way of a report."""
FORECAST = forecast_schema.TABLES
"""And what forecasts said."""
