"""The tables of what people enter of one vehicle.

A wrong entry is kept with who withdrew it and why, and counts no more. Days are the depot's own.
"""

from __future__ import annotations

from typing import Any

from sqlalchemy import Boolean, Column, ForeignKey, String, Table, Text

from ingest.store.table_base import Millis, Surrogate, metadata


def _one_vehicle() -> list[Column[Any]]:
    return [
        Column("id", Surrogate, primary_key=True),
        Column("vehicle_id", ForeignKey("vehicle.id"), nullable=False, index=True),
    ]


def _withdrawn() -> list[Column[Any]]:
    return [
        Column("withdrawn_at", Millis),
        Column("withdrawn_by", String(64)),
        Column("withdrawn_why", Text),
    ]


inspection = Table(
    "inspection",
    metadata,
    *_one_vehicle(),
    Column("program", String(64), nullable=False),
    Column("day", String(10), nullable=False),
    Column("result", String(16), nullable=False),
    Column("codes", Text, nullable=False),
    Column("monitors", Text, nullable=False),
    Column("certificate", String(64)),
    Column("valid_until", String(10)),
    Column("retest_by", String(10)),
    Column("note", Text, nullable=False),
    Column("entered_by", String(64), nullable=False),
    Column("entered_at", Millis, nullable=False),
    *_withdrawn(),
)

walk_around = Table(
    "walk_around",
    metadata,
    *_one_vehicle(),
    Column("at", Millis, nullable=False),
    Column("lit_at_key_on", Boolean),
    Column("lit_while_running", Boolean),
    Column("connector_works", Boolean),
    Column("seen_by", String(64), nullable=False),
    *_withdrawn(),
)

out_of_area = Table(
    "out_of_area",
    metadata,
    *_one_vehicle(),
    Column("program", String(64), nullable=False),
    Column("status", String(16), nullable=False),
    Column("since", String(10), nullable=False),
    Column("until", String(10)),
    Column("place", String(64), nullable=False),
    Column("proof", String(64)),
    Column("proof_day", String(10)),
    Column("note", Text, nullable=False),
    Column("entered_by", String(64), nullable=False),
    Column("entered_at", Millis, nullable=False),
    *_withdrawn(),
)

repair = Table(
    "repair",
    metadata,
    *_one_vehicle(),
    Column("at", Millis, nullable=False),
    Column("technician", String(64), nullable=False),
    Column("done", Text, nullable=False),
    Column("codes", Text, nullable=False),  # JSON list
    Column("codes_cleared", Boolean),
)

TABLES = (inspection, walk_around, out_of_area, repair)
