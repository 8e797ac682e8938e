"""The columns of the vehicle list as columns of a table, and a vehicle as a row of it."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from sqlalchemy import Column, Integer, Row, String

from ingest.domain import vehicle_columns
from ingest.domain.vehicles import Vehicle


def columns() -> list[Column[Any]]:
    """The columns that a file may leave out; each may be empty."""
    return [
        Column(one.name, Integer() if one.whole_number else String(one.length))
        for one in vehicle_columns.PARTICULARS
    ]


def values_of(item: Vehicle, names: Iterable[str]) -> dict[str, Any]:
    """What is stored of a vehicle, of the named columns: numbers as such, all else as its text."""
    stored: dict[str, Any] = {}
    for name in names:
        value = getattr(item, name)
        column = vehicle_columns.BY_NAME[name]
        empty = value is None or value == "" or value == ()
        stored[name] = None if empty else value if column.whole_number else column.show(value)
    return stored


def vehicle_of(row: Row[Any]) -> Vehicle:
    """The vehicle of a row of the table."""
    found: dict[str, Any] = {"id": row.id}
    kept = row._mapping
    for column in vehicle_columns.ALL:
        value = kept[column.name]
        again = column.restore if value is not None else None
        found[column.name] = value if again is None else again(value)
    found["plate"] = found["plate"] or ""
    return Vehicle(**found)
