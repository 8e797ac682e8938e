"""What people enter of a vehicle: results of official inspections, and looks at the lamp."""

from __future__ import annotations

import json
from datetime import date, datetime
from typing import Any

from sqlalchemy import Connection, Row, insert, select

from gateway.facts import Monitor
from ingest.domain.inspections import Inspection, Result
from ingest.domain.observed_lamp import ObservedLamp
from ingest.store.entered_schema import inspection, walk_around
from ingest.store.schema import vehicle
from ingest.store.times import from_ms, to_ms


def add(connection: Connection, vehicle_id: int, entry: Inspection, by: str, now: int) -> int:
    """Store a result; return its id."""
    values = {
        "vehicle_id": vehicle_id,
        "program": entry.program,
        "day": entry.day.isoformat(),
        "result": entry.result.value,
        "codes": json.dumps(entry.codes),
        "monitors": json.dumps([one.value for one in entry.monitors]),
        "certificate": entry.certificate,
        "valid_until": _text(entry.valid_until),
        "retest_by": _text(entry.retest_by),
        "note": entry.note,
        "entered_by": by,
        "entered_at": now,
    }
    query = insert(inspection).returning(inspection.c.id)
    return int(connection.execute(query, values).scalar_one())


def results(
    connection: Connection, vehicle_id: int | None = None
) -> dict[int, tuple[Inspection, ...]]:
    """The results that count, by vehicle, oldest first."""
    query = (
        select(inspection)
        .where(inspection.c.withdrawn_at.is_(None))
        .order_by(inspection.c.vehicle_id, inspection.c.day, inspection.c.id)
    )
    if vehicle_id is not None:
        query = query.where(inspection.c.vehicle_id == vehicle_id)
    found: dict[int, list[Inspection]] = {}
    for row in connection.execute(query):
        found.setdefault(row.vehicle_id, []).append(entry_of(row))
    return {number: tuple(entries) for number, entries in found.items()}


def add_look(connection: Connection, vehicle_id: int, look: ObservedLamp) -> int:
    """Store what a person saw of the lamp; return its id."""
    values = {
        "vehicle_id": vehicle_id,
        "at": to_ms(look.at),
        "lit_at_key_on": look.lit_at_key_on,
        "lit_while_running": look.lit_while_running,
        "connector_works": look.connector_works,
        "seen_by": look.by,
    }
    query = insert(walk_around).returning(walk_around.c.id)
    return int(connection.execute(query, values).scalar_one())


def looks(
    connection: Connection, as_of: datetime, vehicle_id: int | None = None
) -> dict[int, tuple[ObservedLamp, ...]]:
    """The looks at the lamp up to a moment, by vehicle, newest first."""
    query = (
        select(walk_around)
        .where(walk_around.c.at <= to_ms(as_of), walk_around.c.withdrawn_at.is_(None))
        .order_by(walk_around.c.vehicle_id, walk_around.c.at.desc(), walk_around.c.id.desc())
    )
    if vehicle_id is not None:
        query = query.where(walk_around.c.vehicle_id == vehicle_id)
    found: dict[int, list[ObservedLamp]] = {}
    for row in connection.execute(query):
        found.setdefault(row.vehicle_id, []).append(look_of(row))
    return {number: tuple(entries) for number, entries in found.items()}


def zone_of(connection: Connection, vehicle_id: int) -> str | None:
    """The time zone of a vehicle's depot; None without such a vehicle."""
    query = select(vehicle.c.depot_tz).where(vehicle.c.id == vehicle_id)
    zone: str | None = connection.execute(query).scalar_one_or_none()
    return zone


def look_of(row: Row[Any]) -> ObservedLamp:
    """The look of a row."""
    return ObservedLamp(
        from_ms(row.at),
        row.lit_at_key_on,
        row.lit_while_running,
        row.seen_by,
        row.connector_works,
        row.id,
    )


def entry_of(row: Row[Any]) -> Inspection:
    """The result of a row."""
    return Inspection(
        program=row.program,
        day=date.fromisoformat(row.day),
        result=Result(row.result),
        codes=tuple(json.loads(row.codes)),
        monitors=tuple(Monitor(one) for one in json.loads(row.monitors)),
        certificate=row.certificate,
        valid_until=_day(row.valid_until),
        retest_by=_day(row.retest_by),
        note=row.note,
        id=row.id,
    )


def _text(day: date | None) -> str | None:
    return None if day is None else day.isoformat()


def _day(text: str | None) -> date | None:
    return None if text is None else date.fromisoformat(text)
