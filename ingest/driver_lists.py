"""Loads who drives what by day from CSV or XLSX: all faults named, all or nothing."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec

from ingest import rows
from ingest.domain.drivers import COLUMNS, keep_from, read_drivers
from ingest.store import audit_log, driver_days
from ingest.store.database import write
from ingest.store.times import to_ms
from ingest.store.vehicles import all_vehicles

if TYPE_CHECKING:
    from sqlalchemy import Engine

COMMAND = "load_drivers"


class DriversRefused(ValueError):
    """A list of drivers is wrong; nothing of it was loaded. The message names every fault."""


def load_drivers(engine: Engine, path: Path, *, actor: str, now: datetime, request_id: str) -> int:
    """Load a list; return how many entries. Days that are no longer kept are left out.

    The audit row holds a count and no names: it lives longer than they may.
    """
    table = rows.read_table(path, COLUMNS[:3], COLUMNS)
    with write(engine) as connection:
        units = [one.unit for one in all_vehicles(connection)]
        entries, faults = read_drivers(table.rows, units, table.lines)
        if faults:
            raise DriversRefused("\n".join([f"{path}: nothing was loaded", *map(str, faults)]))
        kept = [one for one in entries if one.day >= keep_from(now.date())]
        payload = msgspec.json.encode({"entries": len(kept)}).decode()
        earlier = audit_log.earlier_result(connection, request_id, COMMAND, payload)
        if earlier is not None:
            return msgspec.json.decode(earlier, type=int)
        driver_days.replace(connection, kept)
        audit_log.note(
            connection, at=to_ms(now), actor=actor, request_id=request_id, command=COMMAND,
            payload=payload, result=str(len(kept)),
        )  # fmt: skip
    return len(kept)
