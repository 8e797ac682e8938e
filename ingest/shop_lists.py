"""Loads and writes depots and technicians, CSV or XLSX: all faults named, all or nothing."""

from __future__ import annotations

import hashlib
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from ingest import rows
from ingest.domain.shop import (
    DEPOT_COLUMNS,
    TECHNICIAN_COLUMNS,
    cells,
    read_depots,
    read_technicians,
)
from ingest.domain.vehicle_columns import Column
from ingest.domain.vehicles import RowFault
from ingest.once import CommandRefused, once
from ingest.store import shop
from ingest.store.database import read
from ingest.store.times import to_ms

if TYPE_CHECKING:
    from sqlalchemy import Connection, Engine

LISTS = {"depots": DEPOT_COLUMNS, "technicians": TECHNICIAN_COLUMNS}


def load_list(
    engine: Engine, which: str, path: Path, *, actor: str, now: datetime, request_id: str
) -> int:
    """Load a list of `LISTS`; return how many entries. Depots it leaves out stay; technicians go.

    Raises `CommandRefused` naming every fault, or `rows.RowsError` for a file that is no table.
    """
    columns = LISTS[which]
    table = rows.read_table(path, _names(columns), _names(columns))

    def work(connection: Connection) -> int:
        if which == "depots":
            depots, faults = read_depots(table.rows, table.lines, shop.zones(connection))
            named = (row["name"].strip() for row in table.rows)
            by_line = dict(zip(named, table.lines, strict=True))
            booked = shop.booked_bays(connection, to_ms(now))
            for one in depots:
                if missing := booked.get(one.name, frozenset()) - set(one.bays):
                    expected = f"{', '.join(sorted(missing))} too: appointments are booked there"
                    faults.append(
                        RowFault(by_line[one.name], "bays", ", ".join(one.bays), expected)
                    )
            _refuse(path, faults)
            shop.save_depots(connection, depots)
            return len(depots)
        known = [one.name for one in shop.depots(connection)]
        technicians, faults = read_technicians(table.rows, table.lines, known)
        _refuse(path, faults)
        shop.replace_technicians(connection, technicians)
        return len(technicians)

    payload = {"entries": len(table.rows), "digest": hashlib.sha256(path.read_bytes()).hexdigest()}
    return once(
        engine, f"load_{which}", payload, work, int, actor=actor, now=now, request_id=request_id
    )


def write_list(engine: Engine, which: str, path: Path) -> int:
    """Write a list of `LISTS` as `load_list` reads it; return how many entries."""
    with read(engine) as connection:
        found = shop.depots(connection) if which == "depots" else shop.technicians(connection)
    columns = LISTS[which]
    rows.write_table(path, _names(columns), (cells(columns, one) for one in found))
    return len(found)


def _names(columns: tuple[Column, ...]) -> list[str]:
    return [column.name for column in columns]


def _refuse(path: Path, faults: list[RowFault]) -> None:
    if faults:
        faults.sort(key=lambda fault: fault.line)
        raise CommandRefused("\n".join([f"{path}: nothing was loaded", *map(str, faults)]))
