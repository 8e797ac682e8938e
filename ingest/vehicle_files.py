"""The vehicle list as a file: CSV or XLSX in, with every fault named, and out again."""

from __future__ import annotations

from collections.abc import Iterable, Set
from dataclasses import dataclass
from pathlib import Path

from ingest import rows
from ingest.domain import vehicle_columns
from ingest.domain.vehicles import COLUMNS, RowFault, Vehicle, read_rows


@dataclass(frozen=True, slots=True)
class VehicleFile:
    """What a file says. `columns` are those it has; `others` were not understood, and left out."""

    vehicles: list[Vehicle]
    faults: list[RowFault]
    columns: frozenset[str]
    others: tuple[str, ...]


def read_vehicles(path: Path, programs: Set[str]) -> VehicleFile:
    """Read a vehicle list; raises `rows.RowsError` for a file that is no such table."""
    table = rows.read_table(path, COLUMNS, vehicle_columns.BY_NAME)
    vehicles, faults = read_rows(table.rows, programs, table.lines)
    return VehicleFile(vehicles, faults, table.columns, table.others)


def write_vehicles(path: Path, vehicles: Iterable[Vehicle]) -> None:
    """Write the list with every column; `read_vehicles` reads the same vehicles back."""
    heading = [column.name for column in vehicle_columns.ALL]
    rows.write_table(path, heading, ([*cells_of(one).values()] for one in vehicles))


def cells_of(one: Vehicle) -> dict[str, str]:
    """A vehicle as text by column; '' for what is not known."""
    found = {}
    for column in vehicle_columns.ALL:
        value = getattr(one, column.name)
        found[column.name] = "" if value is None else column.show(value)
    return found
