"""What people enter of one vehicle around its inspection, and take back: results, looks, absences.

Every entry is kept with its actor, time and audit row; one that is withdrawn is kept as well, with
who and why, and counts no more.
"""

from __future__ import annotations

from collections.abc import Set
from dataclasses import asdict
from datetime import datetime
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from ingest.domain import out_of_area
from ingest.domain.inspections import EntryKind, Inspection, entry_faults
from ingest.domain.observed_lamp import ObservedLamp
from ingest.domain.out_of_area import OutOfArea
from ingest.once import CommandRefused, once
from ingest.store import absences, inspections, withdrawals
from ingest.store.times import to_ms

if TYPE_CHECKING:
    from sqlalchemy import Connection, Engine

MAX_WHY = 500


def record_inspection(
    engine: Engine,
    vehicle_id: int,
    entry: Inspection,
    programs: Set[str],
    *,
    actor: str,
    now: datetime,
    request_id: str,
) -> int:
    """Enter what an official inspection gave; return its number. Refused with every fault."""

    def work(connection: Connection) -> int:
        today = now.astimezone(_zone(connection, vehicle_id)).date()
        if faults := list(entry_faults(entry, programs, today)):
            raise CommandRefused("; ".join(faults))
        return inspections.add(connection, vehicle_id, entry, actor, to_ms(now))

    payload = {"vehicle_id": vehicle_id, "entry": asdict(entry)}
    return once(
        engine, "record_inspection", payload, work, int,
        actor=actor, now=now, request_id=request_id,
    )  # fmt: skip


def record_walk_around(
    engine: Engine, vehicle_id: int, look: ObservedLamp, *, now: datetime, request_id: str
) -> int:
    """Enter what a person (`look.by`) saw of lamp and connector; return its number."""

    def work(connection: Connection) -> int:
        _zone(connection, vehicle_id)
        if look.at > now:
            raise CommandRefused(f"at: {look.at.isoformat()}, expected no later than now")
        if look.empty:
            raise CommandRefused(
                "nothing entered, expected yes or no for the lamp at key-on, while running, or "
                "the connector"
            )
        return inspections.add_look(connection, vehicle_id, look)

    payload = {"vehicle_id": vehicle_id, "look": asdict(look)}
    return once(
        engine, "record_walk_around", payload, work, int,
        actor=look.by, now=now, request_id=request_id,
    )  # fmt: skip


def record_out_of_area(
    engine: Engine,
    vehicle_id: int,
    entry: OutOfArea,
    programs: Set[str],
    *,
    actor: str,
    now: datetime,
    request_id: str,
) -> int:
    """Enter that a vehicle is away from its program's area; return the number of the entry."""

    def work(connection: Connection) -> int:
        today = now.astimezone(_zone(connection, vehicle_id)).date()
        if faults := list(out_of_area.entry_faults(entry, programs, today)):
            raise CommandRefused("; ".join(faults))
        return absences.add(connection, vehicle_id, entry, actor, to_ms(now))

    payload = {"vehicle_id": vehicle_id, "entry": asdict(entry)}
    return once(
        engine, "record_out_of_area", payload, work, int,
        actor=actor, now=now, request_id=request_id,
    )  # fmt: skip


def withdraw_entry(
    engine: Engine,
    vehicle_id: int,
    kind: EntryKind,
    number: int,
    why: str,
    *,
    actor: str,
    now: datetime,
    request_id: str,
) -> int:
    """Let a wrong entry count no more, saying why; the entry itself is kept."""
    reason = why.strip()
    if not reason or len(reason) > MAX_WHY:
        raise CommandRefused(f"why: {len(reason)} characters, expected 1 to {MAX_WHY}")

    def work(connection: Connection) -> int:
        at = to_ms(now)
        if not withdrawals.withdraw(connection, kind, vehicle_id, number, actor, reason, at):
            raise CommandRefused(f"{kind} {number}: none of this vehicle that counts")
        return number

    payload = {"vehicle_id": vehicle_id, "kind": kind, "number": number, "why": reason}
    return once(
        engine, "withdraw_entry", payload, work, int, actor=actor, now=now, request_id=request_id
    )


def _zone(connection: Connection, vehicle_id: int) -> ZoneInfo:
    name = inspections.zone_of(connection, vehicle_id)
    if name is None:
        raise CommandRefused(f"vehicle {vehicle_id}: not there")
    return ZoneInfo(name)
