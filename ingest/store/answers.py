"""The answers of `ingest.queries`: frozen values; times are aware UTC datetimes."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from ingest.domain.cycles import Cycle
from ingest.domain.doubts import Doubt
from ingest.domain.drivers import DriverDay
from ingest.domain.due import Need
from ingest.domain.due_dates import Due
from ingest.domain.explanation import Explanation
from ingest.domain.foresight import NOT_LOOKED_AHEAD, Forecast
from ingest.domain.inspections import Inspection, Withdrawn
from ingest.domain.observed_lamp import ObservedLamp
from ingest.domain.out_of_area import OutOfArea
from ingest.domain.picture import Picture
from ingest.domain.vehicles import Vehicle
from ingest.domain.verdict import Verdict


@dataclass(frozen=True, slots=True)
class Appointment:
    """One booked appointment; `slots` are the starts of its quarters of an hour."""

    id: int
    vehicle_id: int
    unit: str
    depot: str
    bay: str
    start: datetime
    end: datetime
    slots: tuple[datetime, ...]
    hours: float
    reason: str
    locked: bool
    version: int
    created_by: str


@dataclass(frozen=True, slots=True)
class Standing:
    """One vehicle with all that is judged of it at one moment."""

    vehicle: Vehicle
    picture: Picture | None
    verdict: Verdict
    need: Need
    heard_at: datetime | None
    next_appointment: Appointment | None
    dues: tuple[Due, ...] = ()
    """What it owes its program, then any other that a result was entered for."""
    forecast: Forecast = NOT_LOOKED_AHEAD
    """When it will be ready, and the last day for a needed repair."""


@dataclass(frozen=True, slots=True)
class UnlistedGateway:
    """Reports that no vehicle of the list owns: 'not in the vehicle list'."""

    gateway: str
    reports: int
    last_received_at: datetime


@dataclass(frozen=True, slots=True)
class FleetToday:
    """The fleet (of one depot) at a moment, and who has been heard within 24 hours.

    `not_heard` leaves out those of which the vehicle list expects nothing.
    """

    as_of: datetime
    vehicles: tuple[Standing, ...]
    heard: int
    not_heard: tuple[str, ...]
    unlisted: tuple[UnlistedGateway, ...]
    dead_letters: int
    lost_reports: int
    security_events: int


@dataclass(frozen=True, slots=True)
class Alert:
    """One alert. `held` is whether it is shelved at the moment asked about.

    `announcement` counts how often there was reason to tell people of it.
    """

    id: int
    vehicle_id: int
    unit: str
    depot: str
    kind: str
    subject: str
    state: str
    priority: str
    since: datetime
    ended_at: datetime | None
    text: str
    instruction: str
    held: bool
    shelved_until: datetime | None
    shelved_reason: str | None
    announcement: int
    version: int


@dataclass(frozen=True, slots=True)
class AlertEvent:
    """One step of an alert's life, with who took it."""

    alert_id: int
    at: datetime
    event: str
    to_state: str
    actor: str
    note: str


@dataclass(frozen=True, slots=True)
class Event:
    """One episode of a vehicle, with its id in the store."""

    id: int
    kind: str
    subject: str
    started_at: datetime
    ended_at: datetime | None
    details: dict[str, Any]


@dataclass(frozen=True, slots=True)
class VehicleRecord:
    """One vehicle's history at a moment."""

    standing: Standing
    events: tuple[Event, ...]
    alerts: tuple[Alert, ...]
    alert_events: tuple[AlertEvent, ...]
    appointments: tuple[Appointment, ...]
    reports: int
    gateways: tuple[tuple[str, datetime, datetime | None], ...]
    cycles: tuple[Cycle, ...] = ()
    """Driving cycles, the newest first."""
    explained: Explanation = field(default_factory=Explanation)
    """Why monitors are not complete, what clears were, whether repairs are proven, trends."""
    inspections: tuple[Inspection, ...] = ()
    """Results of official inspections, the oldest first."""
    looks: tuple[ObservedLamp, ...] = ()
    """What people saw of the lamp, the newest first."""
    absences: tuple[OutOfArea, ...] = ()
    """When it was out of its program's area, the oldest first."""
    withdrawn: tuple[Withdrawn, ...] = ()
    """What people entered and took back, the newest first."""
    doubts: tuple[Doubt, ...] = ()
    """What does not fit the vehicle's own past."""
    drivers: tuple[DriverDay, ...] = ()
    """Who drives it on the day asked about."""


@dataclass(frozen=True, slots=True)
class DeadLetterRow:
    """One payload set aside; `body` is as received."""

    id: int
    topic: str
    gateway: str | None
    digest: str
    size: int
    body: bytes
    reasons: tuple[str, ...]
    received_at: datetime
    last_seen_at: datetime
    times_seen: int
    replayed_at: datetime | None


@dataclass(frozen=True, slots=True)
class SecurityEvent:
    """Something that a well-behaved gateway never does."""

    at: datetime
    kind: str
    gateway: str | None
    detail: str


@dataclass(frozen=True, slots=True)
class Presence:
    """What a gateway last said of itself."""

    gateway: str
    state: str
    heard_at: datetime
    wake_by: datetime | None
