"""Vehicles away from their program's area, as rows."""

from __future__ import annotations

from datetime import date
from typing import Any

from sqlalchemy import Connection, Row, insert, select

from ingest.domain.out_of_area import OutOfArea, Status
from ingest.store.entered_schema import out_of_area


def add(connection: Connection, vehicle_id: int, entry: OutOfArea, by: str, now: int) -> int:
    """Store an entry; return its id."""
    values = {
        "vehicle_id": vehicle_id,
        "program": entry.program,
        "status": entry.status.name.lower(),
        "since": entry.since.isoformat(),
        "until": None if entry.until is None else entry.until.isoformat(),
        "place": entry.place,
        "proof": entry.proof,
        "proof_day": None if entry.proof_day is None else entry.proof_day.isoformat(),
        "note": entry.note,
        "entered_by": by,
        "entered_at": now,
    }
    query = insert(out_of_area).returning(out_of_area.c.id)
    return int(connection.execute(query, values).scalar_one())


def entries(
    connection: Connection, vehicle_id: int | None = None
) -> dict[int, tuple[OutOfArea, ...]]:
    """The entries that count, by vehicle, oldest first."""
    query = (
        select(out_of_area)
        .where(out_of_area.c.withdrawn_at.is_(None))
        .order_by(out_of_area.c.vehicle_id, out_of_area.c.since, out_of_area.c.id)
    )
    if vehicle_id is not None:
        query = query.where(out_of_area.c.vehicle_id == vehicle_id)
    found: dict[int, list[OutOfArea]] = {}
    for row in connection.execute(query):
        found.setdefault(row.vehicle_id, []).append(entry_of(row))
    return {number: tuple(kept) for number, kept in found.items()}


def entry_of(row: Row[Any]) -> OutOfArea:
    """The entry of a row."""
    return OutOfArea(
        program=row.program,
        status=Status[row.status.upper()],
        since=date.fromisoformat(row.since),
        place=row.place,
        until=None if row.until is None else date.fromisoformat(row.until),
        proof=row.proof,
        proof_day=None if row.proof_day is None else date.fromisoformat(row.proof_day),
        note=row.note,
        id=row.id,
    )
