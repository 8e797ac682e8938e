"""The table of what forecasts said, one for each wait of a vehicle."""

from __future__ import annotations

from sqlalchemy import Column, ForeignKey, Table, Text

from ingest.store.table_base import Millis, metadata

forecast_said = Table(
    "forecast_said",
    metadata,
    Column("vehicle_id", ForeignKey("vehicle.id"), primary_key=True),
    Column("since", Millis, primary_key=True, autoincrement=False),  # when the wait began
    Column("at", Millis, nullable=False, index=True),
    Column("body", Text, nullable=False),  # JSON of ingest.domain.hindsight.Said
)

TABLES = (forecast_said,)
