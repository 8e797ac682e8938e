"""Depots and technicians as rows."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from datetime import date, time
from typing import Any

from sqlalchemy import Connection, delete, insert, select, update

from ingest.domain.shop import DepotSettings, Technician
from ingest.store.schema import appointment, depot, technician, vehicle

BOOKED = "booked"


def depots(connection: Connection) -> tuple[DepotSettings, ...]:
    """Every depot with its bays and hours, by name."""
    return tuple(
        DepotSettings(
            name=row.name,
            tz=row.tz,
            bays=tuple(json.loads(row.bays)),
            weekdays=tuple(int(day) for day in row.weekdays),
            opens=time.fromisoformat(row.opens),
            closes=time.fromisoformat(row.closes),
            closed_days=tuple(map(date.fromisoformat, json.loads(row.closed_days))),
        )
        for row in connection.execute(select(depot).order_by(depot.c.name))
    )


def save_depots(connection: Connection, found: Iterable[DepotSettings]) -> None:
    """Add or update depots by name; those the list leaves out stay as they are."""
    known = set(connection.execute(select(depot.c.name)).scalars())
    for one in found:
        values: dict[str, Any] = {
            "tz": one.tz,
            "bays": json.dumps(one.bays),
            "weekdays": "".join(map(str, one.weekdays)),
            "opens": one.opens.isoformat("minutes"),
            "closes": one.closes.isoformat("minutes"),
            "closed_days": json.dumps([day.isoformat() for day in one.closed_days]),
        }
        if one.name in known:
            version = depot.c.version + 1
            statement = update(depot).where(depot.c.name == one.name)
            connection.execute(statement.values(**values, version=version))
        else:
            connection.execute(insert(depot), {"name": one.name, "version": 1, **values})


def zones(connection: Connection) -> Mapping[str, str]:
    """The time zone of each depot of the vehicle list."""
    rows = connection.execute(select(vehicle.c.depot, vehicle.c.depot_tz).distinct())
    return {row.depot: row.depot_tz for row in rows}


def booked_bays(connection: Connection, now: int) -> Mapping[str, frozenset[str]]:
    """The bays that have an appointment not over at `now` (epoch ms), by depot."""
    query = (
        select(appointment.c.depot, appointment.c.bay)
        .where(appointment.c.state == BOOKED, appointment.c.end > now)
        .distinct()
    )
    found: dict[str, set[str]] = {}
    for row in connection.execute(query):
        found.setdefault(row.depot, set()).add(row.bay)
    return {name: frozenset(bays) for name, bays in found.items()}


def technicians(connection: Connection, depot_name: str | None = None) -> tuple[Technician, ...]:
    """The technicians (of one depot), by name."""
    query = select(technician).order_by(technician.c.name)
    if depot_name is not None:
        query = query.where(technician.c.depot == depot_name)
    return tuple(
        Technician(row.name, row.depot, tuple(json.loads(row.skills)))
        for row in connection.execute(query)
    )


def replace_technicians(connection: Connection, found: Iterable[Technician]) -> None:
    """Make the list the one given: who is not on it has left."""
    connection.execute(delete(technician))
    rows = [
        {"name": one.name, "depot": one.depot, "skills": json.dumps(one.skills)} for one in found
    ]
    if rows:
        connection.execute(insert(technician), rows)
