"""Entries that people took back: kept with who and why, and read again for the history."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from sqlalchemy import Connection, Row, Table, select, update

from ingest.domain.inspections import Entry, EntryKind, Withdrawn
from ingest.store import absences, inspections
from ingest.store.entered_schema import inspection, out_of_area, walk_around
from ingest.store.times import from_ms

TABLES: Mapping[EntryKind, tuple[Table, Callable[[Row[Any]], Entry]]] = {
    "result": (inspection, inspections.entry_of),
    "walk-around": (walk_around, inspections.look_of),
    "out of area": (out_of_area, absences.entry_of),
}


def withdraw(
    connection: Connection,
    kind: EntryKind,
    vehicle_id: int,
    number: int,
    by: str,
    why: str,
    now: int,
) -> bool:
    """Let an entry count no more; False when there is no such one that counts."""
    table, _ = TABLES[kind]
    query = (
        update(table)
        .where(
            table.c.id == number,
            table.c.vehicle_id == vehicle_id,
            table.c.withdrawn_at.is_(None),
        )
        .values(withdrawn_at=now, withdrawn_by=by, withdrawn_why=why)
    )
    return connection.execute(query).rowcount == 1


def of_vehicle(connection: Connection, vehicle_id: int) -> tuple[Withdrawn, ...]:
    """What was taken back of a vehicle, the newest first."""
    found = []
    for kind, (table, entry_of) in TABLES.items():
        query = select(table).where(
            table.c.vehicle_id == vehicle_id, table.c.withdrawn_at.is_not(None)
        )
        found += [
            Withdrawn(
                kind, entry_of(row), from_ms(row.withdrawn_at), row.withdrawn_by or "not known",
                row.withdrawn_why or "not said",
            )
            for row in connection.execute(query)
        ]  # fmt: skip
    return tuple(sorted(found, key=lambda one: one.at, reverse=True))
