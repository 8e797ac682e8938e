"""The tables beside the way of a report: what waits for its turn, and what gateways are asked."""

from __future__ import annotations

from sqlalchemy import Boolean, Column, Index, Integer, LargeBinary, String, Table, Text

from ingest.store.table_base import Millis, Surrogate, metadata

held_back = Table(
    "held_back",
    metadata,
    Column("id", Surrogate, primary_key=True),
    Column("gateway", String(32), nullable=False),
    Column("shard", Integer, nullable=False),
    Column("topic", Text, nullable=False),
    Column("digest", String(64), nullable=False, unique=True),  # of topic and body
    Column("body", LargeBinary, nullable=False),
    Column("retained", Boolean, nullable=False),
    Column("received_at", Millis, nullable=False),
    Index("held_back_of_gateway", "gateway", "id"),
)

ask = Table(
    "ask",
    metadata,
    Column("ask_id", String(36), primary_key=True),
    Column("gateway", String(32), nullable=False, index=True),
    Column("want", String(8), nullable=False),
    Column("why", Text, nullable=False),
    Column("asked_by", String(64), nullable=False),
    Column("asked_at", Millis, nullable=False),
    Column("sent_at", Millis),
)

TABLES = (held_back, ask)
