"""The looks into the store behind `ingest.queries`; each takes an open connection."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from datetime import date, datetime, timedelta
from typing import Any

from sqlalchemy import Connection, Row, Table, func, or_, select

from ingest.domain.picture import Picture
from ingest.domain.vehicles import Vehicle
from ingest.store import appointments as booked
from ingest.store import episode_log, fold_states
from ingest.store.answers import (
    Alert,
    AlertEvent,
    Appointment,
    DeadLetterRow,
    Event,
    Presence,
    SecurityEvent,
    UnlistedGateway,
)
from ingest.store.particulars import vehicle_of
from ingest.store.schema import (
    alert,
    alert_event,
    dead_letter,
    depot,
    fitting,
    lost_reports,
    notice,
    presence,
    report,
    security_event,
    vehicle,
    vehicle_state,
)
from ingest.store.times import day_start_ms, from_ms, to_ms

FAR = 2**62
_CLOSED = "closed"
COUNTED: Mapping[str, Table] = {
    "reports": report,
    "dead_letters": dead_letter,
    "lost_reports": lost_reports,
    "security_events": security_event,
}


def moment(value: int | None) -> datetime | None:
    """A stored time, or None."""
    return None if value is None else from_ms(value)


def counts(connection: Connection) -> dict[str, int]:
    """How many there are, by name; replayed dead letters do not count."""
    found = {}
    for name, table in COUNTED.items():
        query = select(func.count()).select_from(table)
        if table is lost_reports:  # a row is a range of them
            length = lost_reports.c.last_seq - lost_reports.c.first_seq + 1
            query = select(func.coalesce(func.sum(length), 0))
        if table is dead_letter:
            query = query.where(dead_letter.c.replayed_at.is_(None))
        found[name] = int(connection.execute(query).scalar_one())
    return found


def count_reports(connection: Connection, vehicle_id: int) -> int:
    """How many reports of a vehicle are stored: one transaction stores and folds them."""
    query = select(vehicle_state.c.reports).where(vehicle_state.c.vehicle_id == vehicle_id)
    return connection.execute(query).scalar_one_or_none() or 0


def unlisted(connection: Connection) -> tuple[UnlistedGateway, ...]:
    """Gateways whose reports belong to no vehicle of the list."""
    latest = func.max(report.c.received_at).label("latest")
    query = (
        select(report.c.gateway, func.count().label("number"), latest)
        .where(report.c.vehicle_id.is_(None))
        .group_by(report.c.gateway)
        .order_by(report.c.gateway)
    )
    return tuple(
        UnlistedGateway(row.gateway, row.number, from_ms(row.latest))
        for row in connection.execute(query)
    )


def pictures(connection: Connection, vehicle_id: int | None = None) -> dict[int, Picture]:
    """The current status of every vehicle heard of (or of one), by id."""
    query = select(vehicle_state.c.vehicle_id, vehicle_state.c.state)
    if vehicle_id is not None:
        query = query.where(vehicle_state.c.vehicle_id == vehicle_id)
    rows = connection.execute(query)
    return {row.vehicle_id: fold_states.decode_state(row.state).picture for row in rows}


def next_appointments(connection: Connection, as_of: datetime) -> dict[int, Appointment]:
    """The first appointment of each vehicle that is not over at `as_of`."""
    found: dict[int, Appointment] = {}
    for row, slots in booked.between(connection, to_ms(as_of), FAR):
        found.setdefault(row.vehicle_id, _appointment(row, slots))
    return found


def appointments_of_vehicle(connection: Connection, vehicle_id: int) -> tuple[Appointment, ...]:
    """All booked appointments of a vehicle."""
    rows = booked.between(connection, -FAR, FAR)
    return tuple(_appointment(row, slots) for row, slots in rows if row.vehicle_id == vehicle_id)


def appointments_of_depot(
    connection: Connection, name: str, monday: date | None
) -> tuple[Appointment, ...]:
    """Booked appointments of a depot: those of the week that begins on `monday`, or all."""
    zone = connection.execute(select(depot.c.tz).where(depot.c.name == name)).scalar()
    if zone is None:
        return ()
    start, end = -FAR, FAR
    if monday is not None:
        start = day_start_ms(monday, zone)
        end = day_start_ms(monday + timedelta(days=7), zone)
    rows = booked.between(connection, start, end, name)
    return tuple(_appointment(row, slots) for row, slots in rows)


def _appointment(row: Row[Any], slots: tuple[int, ...]) -> Appointment:
    return Appointment(
        id=row.id,
        vehicle_id=row.vehicle_id,
        unit=row.unit,
        depot=row.depot,
        bay=row.bay,
        start=from_ms(row.start),
        end=from_ms(row.end),
        slots=tuple(from_ms(at) for at in slots),
        hours=row.hours,
        reason=row.reason,
        locked=row.locked,
        version=row.version,
        created_by=row.created_by,
    )


def one_vehicle(connection: Connection, vehicle_id: int) -> Vehicle | None:
    """A vehicle by its id."""
    row = connection.execute(select(vehicle).where(vehicle.c.id == vehicle_id)).one_or_none()
    return None if row is None else vehicle_of(row)


def matching_vehicles(connection: Connection, text: str) -> list[Vehicle]:
    """The vehicles whose unit number, plate or VIN is `text`, whatever its case."""
    wanted = text.strip().lower()
    columns = (vehicle.c.unit, vehicle.c.plate, vehicle.c.vin)
    query = select(vehicle).where(or_(*(func.lower(column) == wanted for column in columns)))
    return [vehicle_of(row) for row in connection.execute(query.order_by(vehicle.c.unit))]


def gateways_of(
    connection: Connection, vehicle_id: int
) -> tuple[tuple[str, datetime, datetime | None], ...]:
    """Which gateway sat in a vehicle from when until when."""
    query = select(fitting).where(fitting.c.vehicle_id == vehicle_id).order_by(fitting.c.id)
    return tuple(
        (row.gateway, from_ms(row.fitted_from), moment(row.fitted_to))
        for row in connection.execute(query)
    )


def events_of(connection: Connection, vehicle_id: int) -> tuple[Event, ...]:
    """The events of a vehicle that still stand, in order of their start."""
    return tuple(
        Event(
            id=row.id,
            kind=row.kind,
            subject=row.subject,
            started_at=from_ms(row.started_at),
            ended_at=moment(row.ended_at),
            details=json.loads(row.details),
        )
        for row in episode_log.stored(connection, vehicle_id)
    )


def alerts(
    connection: Connection,
    as_of: datetime,
    *,
    vehicle_id: int | None = None,
    depot_name: str | None = None,
    kind: str | None = None,
    include_closed: bool = False,
) -> tuple[Alert, ...]:
    """Alerts, the newest first."""
    terms: list[Any] = [] if include_closed else [alert.c.state != _CLOSED]
    if vehicle_id is not None:
        terms.append(alert.c.vehicle_id == vehicle_id)
    if depot_name is not None:
        terms.append(vehicle.c.depot == depot_name)
    if kind is not None:
        terms.append(alert.c.kind == kind)
    return _alerts(connection, as_of, terms)


def to_announce(connection: Connection, channel: str, as_of: datetime) -> tuple[Alert, ...]:
    """Alerts not yet announced on a channel that are still so and not held, oldest first."""
    said = select(notice.c.alert_id).where(
        notice.c.channel == channel,
        notice.c.alert_id == alert.c.id,
        notice.c.announcement == alert.c.announcement,
    )
    terms = [alert.c.announce, alert.c.state == "unacknowledged", ~said.exists()]
    found = _alerts(connection, as_of, terms)
    return tuple(one for one in reversed(found) if not one.held)


def _alerts(connection: Connection, as_of: datetime, terms: Iterable[Any]) -> tuple[Alert, ...]:
    query = (
        select(alert, vehicle.c.unit, vehicle.c.depot)
        .join(vehicle, vehicle.c.id == alert.c.vehicle_id)
        .where(*terms)
        .order_by(alert.c.since.desc(), alert.c.id.desc())
    )
    now = to_ms(as_of)
    return tuple(_alert(row, now) for row in connection.execute(query))


def _alert(row: Row[Any], now: int) -> Alert:
    return Alert(
        id=row.id,
        vehicle_id=row.vehicle_id,
        unit=row.unit,
        depot=row.depot,
        kind=row.kind,
        subject=row.subject,
        state=row.state,
        priority=row.priority,
        since=from_ms(row.since),
        ended_at=moment(row.ended_at),
        text=row.text,
        instruction=row.instruction,
        held=row.shelved_until is not None and row.shelved_until > now,
        shelved_until=moment(row.shelved_until),
        shelved_reason=row.shelved_reason,
        announcement=row.announcement,
        version=row.version,
    )


def alert_events(connection: Connection, vehicle_id: int) -> tuple[AlertEvent, ...]:
    """Every step of the alerts of a vehicle, in order."""
    query = (
        select(alert_event)
        .join(alert, alert.c.id == alert_event.c.alert_id)
        .where(alert.c.vehicle_id == vehicle_id)
        .order_by(alert_event.c.id)
    )
    return tuple(
        AlertEvent(row.alert_id, from_ms(row.at), row.event, row.to_state, row.actor, row.note)
        for row in connection.execute(query)
    )


def dead_letters(connection: Connection, include_replayed: bool) -> tuple[DeadLetterRow, ...]:
    """What was set aside, oldest first."""
    query = select(dead_letter).order_by(dead_letter.c.id)
    if not include_replayed:
        query = query.where(dead_letter.c.replayed_at.is_(None))
    return tuple(
        DeadLetterRow(
            id=row.id,
            topic=row.topic,
            gateway=row.gateway,
            digest=row.digest,
            size=len(row.body),
            body=bytes(row.body),
            reasons=tuple(json.loads(row.reasons)),
            received_at=from_ms(row.received_at),
            last_seen_at=from_ms(row.last_seen_at),
            times_seen=row.times_seen,
            replayed_at=moment(row.replayed_at),
        )
        for row in connection.execute(query)
    )


def security_events(connection: Connection) -> tuple[SecurityEvent, ...]:
    """What no well-behaved gateway does, oldest first."""
    query = select(security_event).order_by(security_event.c.id)
    return tuple(
        SecurityEvent(from_ms(row.at), row.kind, row.gateway, row.detail)
        for row in connection.execute(query)
    )


def presences(connection: Connection) -> tuple[Presence, ...]:
    """What each gateway last said of itself."""
    rows = connection.execute(select(presence).order_by(presence.c.gateway))
    return tuple(
        Presence(row.gateway, row.state, from_ms(row.received_at), moment(row.wake_by))
        for row in rows
    )
