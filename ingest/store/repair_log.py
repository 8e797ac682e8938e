"""Recorded repairs as rows."""

from __future__ import annotations

import json

from sqlalchemy import Connection, insert, select

from ingest.domain.repairs import Repair
from ingest.store.entered_schema import repair


def add(connection: Connection, vehicle_id: int, entry: Repair) -> int:
    """Store a repair; return its id."""
    values = {
        "vehicle_id": vehicle_id,
        "at": entry.at,
        "technician": entry.technician,
        "done": entry.done,
        "codes": json.dumps(entry.codes),
        "codes_cleared": entry.codes_cleared,
    }
    query = insert(repair).returning(repair.c.id)
    return int(connection.execute(query, values).scalar_one())


def of_vehicle(connection: Connection, vehicle_id: int) -> tuple[Repair, ...]:
    """The repairs of a vehicle, the newest first."""
    query = (
        select(repair)
        .where(repair.c.vehicle_id == vehicle_id)
        .order_by(repair.c.at.desc(), repair.c.id.desc())
    )
    return tuple(
        Repair(
            at=row.at,
            technician=row.technician,
            done=row.done,
            codes=tuple(json.loads(row.codes)),
            codes_cleared=row.codes_cleared,
            id=row.id,
        )
        for row in connection.execute(query)
    )
