"""What can be asked of the store: every answer is a frozen dataclass, read in one short look.

Times are aware UTC datetimes; 'day' is the depot's own day. Verdicts are worked out from the
current status at `as_of` by the rules of `ingest.domain`, never stored.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from gateway.facts import Monitor
from ingest.config import ConfigError, database_url, load_site
from ingest.dictionary_file import load_dictionary
from ingest.domain import out_of_area
from ingest.domain.doubts import Doubt
from ingest.domain.drivers import DriverDay
from ingest.domain.due import step_by_cause, urgency
from ingest.domain.due_dates import dues_of
from ingest.domain.evap_season import season_words
from ingest.domain.inspections import Inspection
from ingest.domain.integrity import doubts
from ingest.domain.lamp_choice import after_clear
from ingest.domain.observed_lamp import ObservedLamp
from ingest.domain.out_of_area import OutOfArea
from ingest.domain.picture import Picture
from ingest.domain.programs import Program
from ingest.domain.shop import DepotSettings, Technician
from ingest.domain.vehicles import Vehicle
from ingest.domain.verdict import judge
from ingest.program_files import load_programs
from ingest.store import (
    absences,
    cycle_log,
    depot_habits,
    doubting,
    driver_days,
    explaining,
    foreseeing,
    inspections,
    reading,
    shop,
    withdrawals,
)
from ingest.store.answers import (
    Alert,
    AlertEvent,
    Appointment,
    DeadLetterRow,
    Event,
    FleetToday,
    Presence,
    SecurityEvent,
    Standing,
    UnlistedGateway,
    VehicleRecord,
)
from ingest.store.database import DatabaseTrouble, NotOurDatabase, open_database, read
from ingest.store.times import to_ms
from ingest.store.vehicles import all_vehicles

if TYPE_CHECKING:
    from sqlalchemy import Connection, Engine

__all__ = [
    "Alert",
    "AlertEvent",
    "Appointment",
    "ConfigError",
    "DatabaseTrouble",
    "DeadLetterRow",
    "DepotSettings",
    "Event",
    "FleetToday",
    "NotOurDatabase",
    "Presence",
    "Programs",
    "SecurityEvent",
    "Standing",
    "Technician",
    "UnlistedGateway",
    "VehicleRecord",
    "alerts",
    "appointments",
    "database_url",
    "dead_letters",
    "depot_lines",
    "depots",
    "doubts_of",
    "drivers_now",
    "find_vehicle",
    "fleet_today",
    "forecast",
    "load_dictionary",
    "load_programs",
    "load_site",
    "needs",
    "open_database",
    "pending_notices",
    "presences",
    "record",
    "security_events",
    "stored_counts",
    "technicians",
    "unlisted_gateways",
    "vehicle_list",
]

Programs = Mapping[str, Program]
"""Inspection programs by id, as `ingest.program_files.load_programs` gives them."""
HEARD_WITHIN = timedelta(hours=24)
_GRAVE = {"high": 0, "medium": 1, "low": 2}


def fleet_today(
    engine: Engine, depot_name: str | None, as_of: datetime, programs: Programs
) -> FleetToday:
    """How the fleet (of one depot) stands at `as_of`, and who was heard within 24 hours."""
    standings = forecast(engine, as_of, programs, depot_name)
    silent = [
        one for one in standings if one.heard_at is None or as_of - one.heard_at > HEARD_WITHIN
    ]
    quiet = tuple(
        one.vehicle.unit
        for one in silent
        if not one.vehicle.quiet_because(as_of.astimezone(ZoneInfo(one.vehicle.depot_tz)).date())
    )
    with read(engine) as connection:
        unlisted, counts = reading.unlisted(connection), reading.counts(connection)
    return FleetToday(
        as_of=as_of,
        vehicles=standings,
        heard=len(standings) - len(silent),
        not_heard=quiet,
        unlisted=unlisted,
        dead_letters=counts["dead_letters"],
        lost_reports=counts["lost_reports"],
        security_events=counts["security_events"],
    )


def forecast(
    engine: Engine, as_of: datetime, programs: Programs, depot_name: str | None = None
) -> tuple[Standing, ...]:
    """Every vehicle (of one depot) with verdict, reasons and need, by unit."""
    return tuple(standings(engine, as_of, programs, depot_name))


def standings(
    engine: Engine, as_of: datetime, programs: Programs, depot_name: str | None = None
) -> Iterator[Standing]:
    """The same one by one, each in a short look of its own, however many there are."""
    with read(engine) as connection:
        vehicles = all_vehicles(connection, depot_name)
        known = _known(connection, as_of, pictures=False)
        shared = foreseeing.common(connection, as_of)
    for one in vehicles:
        with read(engine) as connection:
            mine = replace(known, pictures=reading.pictures(connection, one.id))
            standing = _standing(one, mine, as_of, programs)
            past = foreseeing.past(connection, standing, shared, as_of)
        program = programs[one.program]
        ahead = foreseeing.forecast(standing, shared, program, past, as_of)
        yield replace(standing, forecast=ahead)


@dataclass(frozen=True, slots=True)
class _Known:
    """All that a judgment rests on, by vehicle."""

    pictures: Mapping[int, Picture]
    ahead: Mapping[int, Appointment]
    results: Mapping[int, tuple[Inspection, ...]]
    looks: Mapping[int, tuple[ObservedLamp, ...]]
    absences: Mapping[int, tuple[OutOfArea, ...]]


def _known(
    connection: Connection, as_of: datetime, vehicle_id: int | None = None, pictures: bool = True
) -> _Known:
    return _Known(
        reading.pictures(connection, vehicle_id) if pictures else {},
        reading.next_appointments(connection, as_of),
        inspections.results(connection, vehicle_id),
        inspections.looks(connection, as_of, vehicle_id),
        absences.entries(connection, vehicle_id),
    )


def _standing(one: Vehicle, known: _Known, as_of: datetime, programs: Programs) -> Standing:
    number = one.id if one.id is not None else -1
    picture = known.pictures.get(number)
    today = as_of.astimezone(ZoneInfo(one.depot_tz)).date()
    dues = dues_of(one, programs, known.results.get(number, ()), today)
    away = out_of_area.standing(known.absences.get(number, ()), one.program, today)
    verdict = judge(
        programs[one.program],
        one,
        picture,
        as_of,
        failed_codes=dues[0].failed_codes,
        observed=next(iter(known.looks.get(number, ())), None),
        away=away,
    )
    return Standing(
        vehicle=one,
        picture=picture,
        verdict=verdict,
        need=urgency(one, verdict, picture, today, dues[0]),
        heard_at=reading.moment(picture.heard_at) if picture else None,
        next_appointment=known.ahead.get(number),
        dues=dues,
    )


def needs(
    engine: Engine, depot_name: str | None, as_of: datetime, programs: Programs
) -> tuple[Standing, ...]:
    """The vehicles that need a bay, the nearest deadline first; those without one last."""
    found = [one for one in forecast(engine, as_of, programs, depot_name) if one.need.hours > 0]
    found.sort(key=lambda one: (one.need.deadline or date.max, one.vehicle.unit))
    return tuple(found)


def record(
    engine: Engine, vehicle_id: int, as_of: datetime, programs: Programs
) -> VehicleRecord | None:
    """One vehicle's history; None when there is no such vehicle."""
    with read(engine) as connection:
        one = reading.one_vehicle(connection, vehicle_id)
        if one is None:
            return None
        known = _known(connection, as_of, vehicle_id)
        standing = _standing(one, known, as_of, programs)
        shared = foreseeing.common(connection, as_of)
        cycles = cycle_log.newest_first(connection, vehicle_id)
        events = explaining.episodes(connection, vehicle_id)
        allowed = standing.verdict.allowed_incomplete
        explained = explaining.explanation(
            connection,
            vehicle_id,
            standing.picture,
            events,
            cycles,
            allowed,
            after_clear(programs[one.program], one.model_year),
            standing.need.deadline,
            one,
            shared.learned,
            as_of,
        )
        picture = standing.picture
        if picture is not None and Monitor.EVAPORATIVE_SYSTEM in picture.incomplete():
            zone = ZoneInfo(one.depot_tz)
            today = as_of.astimezone(zone).date()
            air = shared.learned.air.get(one.depot)
            if air is None:  # a new store has not looked back yet
                air = depot_habits.air(connection, one.depot, zone, as_of)
            explained = replace(explained, season=season_words(air, today))
        need = step_by_cause(standing.need, standing.verdict, explained.monitors)
        standing = replace(standing, need=need)
        past = foreseeing.Past(events, cycles, explained.monitors)
        ahead = foreseeing.forecast(standing, shared, programs[one.program], past, as_of)
        standing = replace(standing, forecast=ahead)
        return VehicleRecord(
            standing=standing,
            events=reading.events_of(connection, vehicle_id),
            alerts=reading.alerts(connection, as_of, vehicle_id=vehicle_id, include_closed=True),
            alert_events=reading.alert_events(connection, vehicle_id),
            appointments=reading.appointments_of_vehicle(connection, vehicle_id),
            reports=reading.count_reports(connection, vehicle_id),
            gateways=reading.gateways_of(connection, vehicle_id),
            cycles=cycles,
            explained=explained,
            inspections=known.results.get(vehicle_id, ()),
            absences=known.absences.get(vehicle_id, ()),
            withdrawn=withdrawals.of_vehicle(connection, vehicle_id),
            looks=known.looks.get(vehicle_id, ()),
            drivers=driver_days.of_day(
                connection, vehicle_id, as_of.astimezone(ZoneInfo(one.depot_tz)).date()
            ),
            doubts=doubts(one, standing.picture, events, explained.repairs),
        )


def alerts(
    engine: Engine,
    as_of: datetime,
    *,
    depot_name: str | None = None,
    kind: str | None = None,
    include_closed: bool = False,
) -> tuple[Alert, ...]:
    """Alerts that stand (or all), the gravest first, then the newest."""
    with read(engine) as connection:
        found = reading.alerts(
            connection, as_of, depot_name=depot_name, kind=kind, include_closed=include_closed
        )
    return tuple(sorted(found, key=lambda one: (_GRAVE.get(one.priority, 3), -to_ms(one.since))))


def doubts_of(
    engine: Engine, standings: Iterable[Standing], since: datetime
) -> tuple[tuple[Vehicle, Doubt], ...]:
    """What does not fit a vehicle's list or past: what stands now, and what was seen since."""
    known = [(one.vehicle, one.picture) for one in standings]
    with read(engine) as connection:
        return tuple(doubting.doubts_since(connection, known, to_ms(since)))


def drivers_now(engine: Engine, as_of: datetime) -> Mapping[int, tuple[DriverDay, ...]]:
    """Who drives today, by vehicle id; today is each depot's own."""
    with read(engine) as connection:
        return driver_days.of_moment(connection, as_of)


def depot_lines(engine: Engine, depot_name: str | None = None) -> tuple[str, ...]:
    """Causes that a third of a depot's unset evaporative monitors share, one line a depot."""
    with read(engine) as connection:
        return depot_habits.depot_lines(connection, depot_name)


def pending_notices(engine: Engine, channel: str, as_of: datetime) -> tuple[Alert, ...]:
    """Alerts to announce on a channel that were not yet: still so, and not held."""
    with read(engine) as connection:
        return reading.to_announce(connection, channel, as_of)


def dead_letters(engine: Engine, *, include_replayed: bool = False) -> tuple[DeadLetterRow, ...]:
    """What could not be read, and why, oldest first."""
    with read(engine) as connection:
        return reading.dead_letters(connection, include_replayed)


def security_events(engine: Engine) -> tuple[SecurityEvent, ...]:
    """What no well-behaved gateway does, oldest first."""
    with read(engine) as connection:
        return reading.security_events(connection)


def unlisted_gateways(engine: Engine) -> tuple[UnlistedGateway, ...]:
    """Gateways whose reports are stored and are 'not in the vehicle list'."""
    with read(engine) as connection:
        return reading.unlisted(connection)


def find_vehicle(engine: Engine, text: str) -> list[Vehicle]:
    """The vehicles whose unit number, plate or VIN is `text`, whatever its case."""
    with read(engine) as connection:
        return reading.matching_vehicles(connection, text)


def vehicle_list(engine: Engine, depot_name: str | None = None) -> list[Vehicle]:
    """The vehicle list as loaded, by unit."""
    with read(engine) as connection:
        return all_vehicles(connection, depot_name)


def depots(engine: Engine) -> tuple[DepotSettings, ...]:
    """Every depot with its bays and hours, by name."""
    with read(engine) as connection:
        return shop.depots(connection)


def technicians(engine: Engine, depot_name: str | None = None) -> tuple[Technician, ...]:
    """Every technician (of one depot) with skills, by name."""
    with read(engine) as connection:
        return shop.technicians(connection, depot_name)


def appointments(
    engine: Engine, depot_name: str, week: str | None = None
) -> tuple[Appointment, ...]:
    """Booked appointments of a depot, of one ISO week ("2026-W48", its own days) or all.

    Raises ValueError for a week that is written otherwise.
    """
    monday = None if week is None else datetime.strptime(f"{week}-1", "%G-W%V-%u").date()
    with read(engine) as connection:
        return reading.appointments_of_depot(connection, depot_name, monday)


def presences(engine: Engine) -> tuple[Presence, ...]:
    """The presence of every gateway that ever gave one."""
    with read(engine) as connection:
        return reading.presences(connection)


def stored_counts(engine: Engine) -> dict[str, int]:
    """How many reports, dead letters, lost reports and security events are stored, by name."""
    with read(engine) as connection:
        return reading.counts(connection)
