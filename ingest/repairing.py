"""`record_repair`: what the shop did, kept with its actor, time and audit row."""

from __future__ import annotations

import re
from dataclasses import asdict
from datetime import datetime
from typing import TYPE_CHECKING

import msgspec

from ingest.commands import CommandRefused
from ingest.domain.repairs import Repair
from ingest.store import audit_log, repair_log
from ingest.store.database import write
from ingest.store.times import to_ms
from ingest.store.vehicles import vehicle_exists

if TYPE_CHECKING:
    from sqlalchemy import Engine

COMMAND = "record_repair"
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
    payload = msgspec.json.encode({"vehicle_id": vehicle_id, **asdict(entry)}, order="sorted")
    text = payload.decode()
    with write(engine) as connection:
        earlier = audit_log.earlier_result(connection, request_id, COMMAND, text)
        if earlier is not None:
            return msgspec.json.decode(earlier, type=int)
        if not vehicle_exists(connection, vehicle_id):
            raise CommandRefused(f"vehicle {vehicle_id}: not there")
        number = repair_log.add(connection, vehicle_id, entry)
        audit_log.note(
            connection, at=to_ms(now), actor=actor, request_id=request_id, command=COMMAND,
            payload=text, result=str(number),
        )  # fmt: skip
        return number


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
    if not entry.technician.strip() or len(entry.technician) > 64:
        faults.append(f"by: {entry.technician!r}, expected a name of at most 64 characters")
    if entry.at > to_ms(now):
        faults.append("at: in the future, expected when the work was done")
    return faults
