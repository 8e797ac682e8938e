"""`record_repair`: what the shop did, kept with its actor, time and audit row."""

from __future__ import annotations

import re
from dataclasses import asdict
from datetime import datetime
from typing import TYPE_CHECKING

from ingest.domain.repairs import Repair
from ingest.once import MAX_NAME, CommandRefused, once
from ingest.store import repair_log
from ingest.store.times import to_ms
from ingest.store.vehicles import vehicle_exists

if TYPE_CHECKING:
    from sqlalchemy import Connection, Engine

_CODE = re.compile(r"[PCBU][0-3][0-9A-F]{3}")


def record_repair(
    engine: Engine, vehicle_id: int, entry: Repair, *, actor: str, now: datetime, request_id: str
) -> int:
    """Keep a repair and return its id; a repeat of `request_id` gives the same and adds nothing.

    Raises `CommandRefused` with every fault.
    """
    faults = _faults(entry, now)
    if faults:
        raise CommandRefused("; ".join(faults))

    def work(connection: Connection) -> int:
        if not vehicle_exists(connection, vehicle_id):
            raise CommandRefused(f"vehicle {vehicle_id}: not there")
        return repair_log.add(connection, vehicle_id, entry)

    return once(
        engine, "record_repair", {"vehicle_id": vehicle_id, **asdict(entry)}, work, int,
        actor=actor, now=now, request_id=request_id,
    )  # fmt: skip


def _faults(entry: Repair, now: datetime) -> list[str]:
    faults = [
        f"code: {code!r}, expected one such as P0420"
        for code in entry.codes
        if not _CODE.fullmatch(code)
    ]
    if not entry.codes:
        faults.append("code: none, expected at least one that the repair was for")
    if not entry.done.strip():
        faults.append("done: '', expected what was done")
    if not entry.technician.strip() or len(entry.technician) > MAX_NAME:
        faults.append(f"by: {entry.technician!r}, expected a name of at most {MAX_NAME} characters")
    if entry.at > to_ms(now):
        faults.append("at: in the future, expected when the work was done")
    return faults
