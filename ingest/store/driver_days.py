"""Drivers by day as rows; what is no longer needed is deleted, not kept aside."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from sqlalchemy import Connection, delete, insert, select

from ingest.domain.drivers import DriverDay
from ingest.store.schema import driver_day, vehicle


def replace(connection: Connection, entries: Sequence[DriverDay]) -> None:
    """Write a list; it replaces what was there of each unit and day that it names."""
    ids = {row.unit: row.id for row in connection.execute(select(vehicle.c.unit, vehicle.c.id))}
    for unit, day in sorted({(one.unit, one.day) for one in entries}):
        connection.execute(
            delete(driver_day).where(
                driver_day.c.vehicle_id == ids[unit], driver_day.c.day == day.isoformat()
            )
        )
    rows = [
        {
            "vehicle_id": ids[one.unit],
            "day": one.day.isoformat(),
            "name": one.name,
            "phone": one.phone,
            "language": one.language,
            "take_home": one.take_home,
        }
        for one in entries
    ]
    if rows:
        connection.execute(insert(driver_day), rows)


def purge(connection: Connection, keep_from: date) -> int:
    """Delete every entry of a day before `keep_from`; return how many."""
    query = delete(driver_day).where(driver_day.c.day < keep_from.isoformat())
    return connection.execute(query).rowcount


def of_day(connection: Connection, vehicle_id: int, day: date) -> tuple[DriverDay, ...]:
    """Who drives a vehicle on a day, by name."""
    query = (
        select(driver_day, vehicle.c.unit)
        .join(vehicle, vehicle.c.id == driver_day.c.vehicle_id)
        .where(driver_day.c.vehicle_id == vehicle_id, driver_day.c.day == day.isoformat())
        .order_by(driver_day.c.name)
    )
    return tuple(
        DriverDay(
            row.unit, date.fromisoformat(row.day), row.name, row.phone, row.language, row.take_home
        )
        for row in connection.execute(query)
    )
