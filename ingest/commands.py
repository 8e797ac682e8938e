"""What people do: every change with its actor, its time and its audit row in one transaction.

A repeat of `request_id` gives the result of the first time and changes nothing.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence, Set
from dataclasses import asdict, dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

import msgspec

from ingest.domain import alerts as rules
from ingest.domain.vehicle_columns import BY_NAME
from ingest.domain.vehicles import Vehicle
from ingest.inspecting import (
    record_inspection,
    record_out_of_area,
    record_walk_around,
    withdraw_entry,
)
from ingest.once import CommandRefused, once
from ingest.repairing import record_repair
from ingest.store import alert_log, appointments, folding
from ingest.store.assigning import reassign
from ingest.store.audit_log import RequestReused
from ingest.store.database import Clash, write
from ingest.store.times import to_ms
from ingest.store.vehicles import FittingOverlap, depot_bays, save_vehicles, vehicle_exists

if TYPE_CHECKING:
    from sqlalchemy import Connection, Engine

__all__ = [
    "AlertStand",
    "Booking",
    "Changed",
    "CommandRefused",
    "LoadResult",
    "RequestReused",
    "SlotTaken",
    "acknowledge_alert",
    "book",
    "cancel_appointment",
    "load_vehicles",
    "record_inspection",
    "record_notice",
    "record_out_of_area",
    "record_repair",
    "record_walk_around",
    "shelve_alert",
    "withdraw_entry",
]

MAX_SHELF = timedelta(days=90)
"""The longest an alert may be held (a choice of this project)."""


class Changed(CommandRefused):
    """Someone else changed the row since it was read."""


class SlotTaken(CommandRefused):
    """The bay, or the vehicle, is taken at that time."""


@dataclass(frozen=True, slots=True)
class LoadResult:
    """What loading a vehicle list did; `refolded` vehicles had their history read again."""

    added: int
    changed: int
    unchanged: int
    refolded: int


@dataclass(frozen=True, slots=True)
class AlertStand:
    """Where an alert stands after a command."""

    alert_id: int
    state: str
    version: int


@dataclass(frozen=True, slots=True)
class Booking:
    """An appointment after a command."""

    appointment_id: int
    state: str
    version: int


def load_vehicles(
    engine: Engine,
    vehicles: Sequence[Vehicle],
    *,
    actor: str,
    now: datetime,
    request_id: str,
    columns: Set[str] = frozenset(BY_NAME),
) -> LoadResult:
    """Add or update vehicles by unit number, and fold the readings that were waiting for them.

    Of vehicles that are known only `columns` are written. Raises `CommandRefused` when a VIN
    belongs to a vehicle that is not in this list, or a gateway would sit in two at one time.
    """
    rows = msgspec.json.encode([asdict(vehicle) for vehicle in vehicles])
    payload = {"vehicles": len(vehicles), "digest": hashlib.sha256(rows).hexdigest()}

    def work(connection: Connection) -> LoadResult:
        loaded = save_vehicles(connection, vehicles, to_ms(now), columns)
        touched = reassign(connection, loaded.gateways) | loaded.vehicle_ids
        folding.refold(connection, sorted(touched), to_ms(now))
        return LoadResult(loaded.added, loaded.changed, loaded.unchanged, len(touched))

    try:
        return once(
            engine, "load_vehicles", payload, work, LoadResult,
            actor=actor, now=now, request_id=request_id,
        )  # fmt: skip
    except FittingOverlap as error:
        raise CommandRefused(str(error)) from error
    except Clash as error:
        raise CommandRefused(
            "a VIN of this list belongs to another unit that the list leaves out"
        ) from error


def acknowledge_alert(
    engine: Engine,
    alert_id: int,
    *,
    actor: str,
    now: datetime,
    request_id: str,
    expected_version: int,
) -> AlertStand:
    """Say that a person has seen an alert."""

    def work(connection: Connection) -> AlertStand:
        return _move_alert(connection, alert_id, expected_version, rules.ACKNOWLEDGE, actor, now)

    return once(
        engine, "acknowledge_alert", {"alert_id": alert_id}, work, AlertStand,
        actor=actor, now=now, request_id=request_id,
    )  # fmt: skip


def shelve_alert(
    engine: Engine,
    alert_id: int,
    *,
    until: datetime,
    reason: str,
    actor: str,
    now: datetime,
    request_id: str,
    expected_version: int,
) -> AlertStand:
    """Hold an alert until a time (at most 90 days ahead), with a reason."""
    if not now < until <= now + MAX_SHELF:
        raise CommandRefused(f"until: {until.isoformat()}, expected within {MAX_SHELF.days} days")
    if not reason.strip():
        raise CommandRefused("reason: '', expected some text")
    columns = {"shelved_until": to_ms(until), "shelved_reason": reason}

    def work(connection: Connection) -> AlertStand:
        return _move_alert(
            connection, alert_id, expected_version, alert_log.SHELVE, actor, now, columns, reason
        )

    payload = {"alert_id": alert_id, "until": to_ms(until), "reason": reason}
    return once(
        engine, "shelve_alert", payload, work, AlertStand,
        actor=actor, now=now, request_id=request_id,
    )  # fmt: skip


def _move_alert(
    connection: Connection,
    alert_id: int,
    expected_version: int,
    event: str,
    actor: str,
    now: datetime,
    columns: dict[str, Any] | None = None,
    note: str = "",
) -> AlertStand:
    row = alert_log.locked(connection, alert_id)
    if row is None:
        raise CommandRefused(f"alert {alert_id}: not there")
    if row.version != expected_version:
        raise Changed(f"alert {alert_id}: changed meanwhile (now {row.state!r}); look again")
    move = alert_log.Move(row, event, actor, note, columns or {})
    try:
        after = alert_log.apply(connection, [move], to_ms(now))[0]
    except ValueError as error:
        raise CommandRefused(str(error)) from error
    return AlertStand(alert_id, str(after), row.version + 1)


def book(
    engine: Engine,
    vehicle_id: int,
    depot: str,
    bay: str,
    start: datetime,
    slots: Sequence[datetime],
    hours: float,
    reason: str,
    *,
    actor: str,
    now: datetime,
    request_id: str,
) -> Booking:
    """Put a vehicle into a bay. `slots` are the starts of its 15-minute slots, the first `start`.

    Raises `SlotTaken` when one of them is taken, or the vehicle is in another bay then, at
    whichever depot; `CommandRefused` for what cannot be.
    """
    starts = _slot_starts(start, slots)
    payload = {
        "vehicle_id": vehicle_id, "depot": depot, "bay": bay, "slots": starts, "hours": hours,
        "reason": reason,
    }  # fmt: skip

    def work(connection: Connection) -> Booking:
        if not vehicle_exists(connection, vehicle_id):
            raise CommandRefused(f"vehicle {vehicle_id}: not there")
        bays = depot_bays(connection, depot)
        if bay not in bays:
            raise CommandRefused(f"bay: {bay!r}, expected one of {', '.join(bays) or 'no bay'}")
        first, end = starts[0], starts[-1] + appointments.SLOT_MS
        values = {
            "vehicle_id": vehicle_id, "depot": depot, "bay": bay, "start": first, "end": end,
            "hours": hours, "reason": reason,
            "created_by": actor, "created_at": to_ms(now), "locked": True,
        }  # fmt: skip
        if other := appointments.of_vehicle_between(connection, vehicle_id, first, end):
            raise SlotTaken(
                f"unit {other.unit} is booked at that time already, in bay {other.bay} of "
                f"{other.depot}"
            )
        return Booking(appointments.add(connection, values, starts), appointments.BOOKED, 1)

    try:
        return once(
            engine, "book", payload, work, Booking, actor=actor, now=now, request_id=request_id
        )
    except Clash as error:
        raise SlotTaken(f"bay {bay} of {depot} is taken at that time") from error


def _slot_starts(start: datetime, slots: Sequence[datetime]) -> list[int]:
    starts = [to_ms(slot) for slot in slots]
    if not starts or starts[0] != to_ms(start) or starts != sorted(set(starts)):
        raise CommandRefused("slots: expected the starts in order, the first equal to start")
    if any(at % appointments.SLOT_MS for at in starts):
        raise CommandRefused(f"slots: expected quarters of an hour, got {start.isoformat()}")
    return starts


def cancel_appointment(
    engine: Engine,
    appointment_id: int,
    *,
    actor: str,
    now: datetime,
    request_id: str,
    expected_version: int,
) -> Booking:
    """Cancel an appointment and free its slots."""

    def work(connection: Connection) -> Booking:
        row = appointments.one(connection, appointment_id)
        if row is None:
            raise CommandRefused(f"appointment {appointment_id}: not there")
        if row.version != expected_version:
            raise Changed(f"appointment {appointment_id}: changed meanwhile; look again")
        if row.state != appointments.BOOKED:
            raise CommandRefused(f"appointment {appointment_id}: is {row.state} already")
        appointments.cancel(connection, appointment_id, row.version)
        return Booking(appointment_id, appointments.CANCELLED, row.version + 1)

    payload = {"appointment_id": appointment_id}
    return once(
        engine, "cancel_appointment", payload, work, Booking,
        actor=actor, now=now, request_id=request_id,
    )  # fmt: skip


def record_notice(
    engine: Engine, alert_id: int, announcement: int, channel: str, outcome: str, *, now: datetime
) -> None:
    """Keep that an announcement was sent, so that it is not said twice. The first record stands."""
    with write(engine) as connection:
        alert_log.note_notice(connection, alert_id, announcement, channel, outcome, to_ms(now))
