"""Appointments: work placed in a bay. A slot of a bay can be taken once, by its primary key."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection, Row, delete, insert, select, update

from ingest.store.schema import appointment, appointment_slot, vehicle

SLOT_MS = 15 * 60 * 1000
BOOKED = "booked"
CANCELLED = "cancelled"


def bay_id(depot: str, bay: str) -> str:
    """The key of a bay over all depots."""
    return f"{depot}/{bay}"


def add(connection: Connection, values: dict[str, Any], slots: Sequence[int]) -> int:
    """Store an appointment and take its slots (epoch ms of their starts); return its id.

    A slot that is taken makes `write` raise `Clash`; the transaction is then void.
    """
    result = connection.execute(insert(appointment).values(**values, state=BOOKED, version=1))
    key = result.inserted_primary_key
    if key is None:
        raise RuntimeError("the database returned no key for a new appointment")
    number = int(key[0])
    where = bay_id(values["depot"], values["bay"])
    rows = [{"bay_id": where, "slot_start": at, "appointment_id": number} for at in slots]
    connection.execute(insert(appointment_slot), rows)
    return number


def of_vehicle_between(
    connection: Connection, vehicle_id: int, start: int, end: int
) -> Row[Any] | None:
    """A booked appointment of a vehicle, at whichever depot, that touches [start, end).

    The vehicle's row is locked until the end of the transaction where that is known, so that two
    bookings at once cannot both find it free; foreign keys may be checked meanwhile.
    """
    alone = select(vehicle.c.id).where(vehicle.c.id == vehicle_id)
    connection.execute(alone.with_for_update(key_share=True)).one_or_none()
    query = (
        select(appointment, vehicle.c.unit)
        .join(vehicle, vehicle.c.id == appointment.c.vehicle_id)
        .where(
            appointment.c.vehicle_id == vehicle_id,
            appointment.c.state == BOOKED,
            appointment.c.start < end,
            appointment.c.end > start,
        )
        .order_by(appointment.c.start)
    )
    return connection.execute(query).first()


def one(connection: Connection, number: int) -> Row[Any] | None:
    """The row of one appointment, locked until the end of the transaction where that is known."""
    query = select(appointment).where(appointment.c.id == number).with_for_update()
    return connection.execute(query).one_or_none()


def cancel(connection: Connection, number: int, version: int) -> None:
    """Free the slots; the appointment stays as a record."""
    connection.execute(delete(appointment_slot).where(appointment_slot.c.appointment_id == number))
    connection.execute(
        update(appointment)
        .where(appointment.c.id == number)
        .values(state=CANCELLED, version=version + 1)
    )


def between(
    connection: Connection, start: int, end: int, depot: str | None = None
) -> list[tuple[Row[Any], tuple[int, ...]]]:
    """Booked appointments that touch [start, end), with unit and slots, in order of start."""
    query = (
        select(appointment, vehicle.c.unit)
        .join(vehicle, vehicle.c.id == appointment.c.vehicle_id)
        .where(
            appointment.c.state == BOOKED,
            appointment.c.start < end,
            appointment.c.end > start,
        )
        .order_by(appointment.c.start, appointment.c.bay)
    )
    if depot is not None:
        query = query.where(appointment.c.depot == depot)
    rows = connection.execute(query).all()
    slots: dict[int, list[int]] = {row.id: [] for row in rows}
    taken = select(appointment_slot).where(appointment_slot.c.appointment_id.in_(list(slots)))
    for slot in connection.execute(taken.order_by(appointment_slot.c.slot_start)):
        slots[slot.appointment_id].append(slot.slot_start)
    return [(row, tuple(slots[row.id])) for row in rows]
