"""Drivers by day as rows; what is no longer needed is deleted, not kept aside."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import Connection, Row, delete, insert, select

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
    query = _ENTRIES.where(driver_day.c.vehicle_id == vehicle_id)
    rows = connection.execute(query.where(driver_day.c.day == day.isoformat()))
    return tuple(_entry(row) for row in rows)


def of_moment(connection: Connection, as_of: datetime) -> dict[int, tuple[DriverDay, ...]]:
    """Who drives at a moment (aware), by vehicle id and by name; its day is each depot's own."""
    days = [(as_of.date() + timedelta(days=n)).isoformat() for n in (-1, 0, 1)]
    found: dict[int, tuple[DriverDay, ...]] = {}
    for row in connection.execute(_ENTRIES.where(driver_day.c.day.in_(days))):
        if row.day == as_of.astimezone(ZoneInfo(row.depot_tz)).date().isoformat():
            found[row.vehicle_id] = (*found.get(row.vehicle_id, ()), _entry(row))
    return found


_ENTRIES = (
    select(driver_day, vehicle.c.unit, vehicle.c.depot_tz)
    .join(vehicle, vehicle.c.id == driver_day.c.vehicle_id)
    .order_by(driver_day.c.name)
)


def _entry(row: Row[Any]) -> DriverDay:
    return DriverDay(
        row.unit, date.fromisoformat(row.day), row.name, row.phone, row.language, row.take_home
    )
