"""What the board fetches and hands to the planner: settings, work, appointments, and the week.

Everything comes through `ingest.queries`; times are aware UTC datetimes, days the depot's own.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import TYPE_CHECKING

from dashboard.planning.explain import sentence, us_date
from dashboard.planning.model import (
    SLOT,
    SLOT_MINUTES,
    Bay,
    Depot,
    Job,
    Placement,
    Plan,
    working_week,
)
from dashboard.planning.solve import plan_week, shift_slots, week_shifts
from ingest import queries
from ingest.queries import Appointment, DepotSettings, Standing

if TYPE_CHECKING:
    from sqlalchemy import Engine

DATABASE_VARIABLE = "FLEET_DATABASE"
PROGRAMS_VARIABLE = "FLEET_PROGRAMS"
DICTIONARY_VARIABLE = "FLEET_DICTIONARY"
"""Environment variables by which `python -m dashboard` tells the board where to look."""
NO_DUE_DATE_DAYS = 28
"""Work on a vehicle without an inspection due date is planned within this (our own choice)."""
_LOOK_BACK_DAYS = 14


def planning_depot(settings: DepotSettings) -> Depot:
    """A depot as the planner wants it."""
    return Depot(
        name=settings.name,
        tz=settings.tz,
        bays=tuple(Bay(name) for name in settings.bays),
        hours=working_week(settings.opens, settings.closes, settings.weekdays),
        closed=frozenset(settings.closed_days),
    )


def job_of(standing: Standing, today: date) -> Job | None:
    """The bay work of one vehicle; None when it needs no bay.

    A vehicle that must not be dispatched is due today: it stands still until it is repaired.
    """
    vehicle, need = standing.vehicle, standing.need
    if need.hours <= 0 or vehicle.id is None:
        return None
    deadline, why = need.deadline, need.reason
    repair, reason = repair_deadline(standing, today)
    if repair is not None and (deadline is None or repair < deadline):
        deadline, why = repair, sentence(why, reason)
    if need.do_not_dispatch:
        deadline = today if deadline is None else min(deadline, today)
        why = sentence("Do not dispatch", why)
    elif deadline is None:
        deadline = today + timedelta(days=NO_DUE_DATE_DAYS)
        why = sentence(why, f"Planned within {NO_DUE_DATE_DAYS} days")
    return Job(
        vehicle_id=vehicle.id,
        unit=vehicle.unit,
        depot=vehicle.depot,
        hours=need.hours,
        deadline=deadline,
        reason=why,
        next_step=need.next_step,
    )


def repair_deadline(standing: Standing, today: date) -> tuple[date | None, str]:
    """The last day for a needed repair that leaves time for the monitors, and why; else None.

    Where no day is left, that is today: each day later costs more of the chance.
    """
    said = standing.forecast
    if said.repair_by is not None:
        when = us_date(said.repair_by, today)
        return said.repair_by, f"Repair by {when}, before the inspection. {said.repair_reason}"
    if said.chance_if_repaired_today is not None:
        return today, said.repair_reason
    return None, ""


def placement_of(booked: Appointment) -> Placement:
    """A stored appointment as the planner keeps it."""
    return Placement(
        vehicle_id=booked.vehicle_id,
        unit=booked.unit,
        depot=booked.depot,
        bay=booked.bay,
        start=booked.start,
        end=booked.end,
        slots=booked.slots,
        locked=booked.locked,
        reason=booked.reason,
        booked=True,
        version=booked.version,
    )


@dataclass(frozen=True)
class Week:
    """One depot's week: the plan, and the stored appointments that stand in it."""

    depot: Depot
    plan: Plan
    booked: tuple[Appointment, ...]

    def appointment(self, placement: Placement) -> Appointment | None:
        """The stored appointment behind a placement; None for a proposal."""
        key = (placement.vehicle_id, placement.start)
        return next((one for one in self.booked if (one.vehicle_id, one.start) == key), None)


def read_week(
    engine: Engine,
    settings: DepotSettings,
    monday: date,
    as_of: datetime,
    programs: queries.Programs,
) -> Week:
    """The plan of one depot and week, from the facts and appointments at `as_of`."""
    depot = planning_depot(settings)
    today = as_of.astimezone(depot.zone).date()
    standings = queries.forecast(engine, as_of, programs, settings.name)
    jobs = [job for one in standings if (job := job_of(one, today)) is not None]
    booked = [
        one for other in queries.depots(engine) for one in queries.appointments(engine, other.name)
    ]
    # An old visit must not keep a vehicle from a new one.
    oldest = min(monday, today)
    kept = [one for one in booked if one.end.astimezone(depot.zone).date() >= oldest]
    plan = plan_week(depot, monday, jobs, [placement_of(one) for one in kept], as_of)
    here = tuple(one for one in kept if one.depot == settings.name)
    return Week(depot, plan, here)


def first_open_week(depot: Depot, as_of: datetime) -> date:
    """The Monday of the first week that still has an open slot, this week or the next."""
    today = as_of.astimezone(depot.zone).date()
    monday = today - timedelta(days=today.weekday())
    ahead = any(slots and slots[-1] >= as_of for _, slots in week_shifts(depot, monday))
    return monday if ahead else monday + timedelta(days=7)


def last_close(depot: Depot, as_of: datetime) -> datetime | None:
    """When the depot last closed before `as_of`; None when it was shut for two weeks."""
    today = as_of.astimezone(depot.zone).date()
    for back in range(_LOOK_BACK_DAYS + 1):
        day = today - timedelta(days=back)
        for shift in reversed(depot.shifts_on(day)):
            slots = shift_slots(depot, day, shift)
            if slots and slots[-1] + SLOT <= as_of:
                return slots[-1] + SLOT
    return None


class NotPossible(ValueError):
    """A time that cannot be booked; the message says why."""


def slots_for(depot: Depot, day: date, starts: time, hours: float, now: datetime) -> list[datetime]:
    """The slots of a visit that begins at `starts` on the depot's own clock.

    Raises `NotPossible` when it lies in the past or outside the open hours of one shift.
    """
    need = max(1, math.ceil(hours * 60 / SLOT_MINUTES))
    begin = datetime.combine(day, starts, depot.zone)
    for shift in depot.shifts_on(day):
        slots = shift_slots(depot, day, shift)
        found = [slot for slot in slots if slot >= begin][:need]
        if found and found[0] == begin and len(found) == need:
            if found[0] < now:
                raise NotPossible("that time has passed: choose a later one.")
            return found
    raise NotPossible(
        f"{depot.name} is not open for {hours:g} h from then: choose a time within its hours."
    )


def first_slot(depot: Depot, monday: date, now: datetime) -> datetime | None:
    """The first open quarter of an hour of a week from `now` on, on the depot's clock."""
    for _, slots in week_shifts(depot, monday):
        for slot in slots:
            if slot >= now:
                return slot.astimezone(depot.zone)
    return None


def quarter_hours(depot: Depot) -> list[time]:
    """Every wall-clock time at which a visit may begin on some day of the week."""
    found: set[time] = set()
    for shift in (one for day in depot.hours for one in day):
        opens = shift.opens.hour * 60 + shift.opens.minute
        closes = shift.closes.hour * 60 + shift.closes.minute
        found |= {time(*divmod(at, 60)) for at in range(opens, closes, SLOT_MINUTES)}
    return sorted(found)


def appointments_on(
    booked: Iterable[Appointment], depot: Depot, as_of: datetime
) -> Sequence[Appointment]:
    """The appointments on the depot's day of `as_of`, in order of start and bay."""
    today = as_of.astimezone(depot.zone).date()
    found = [one for one in booked if one.start.astimezone(depot.zone).date() == today]
    return sorted(found, key=lambda one: (one.start, one.bay))
