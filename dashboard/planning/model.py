"""What a week plan is made of: depots, bays, jobs, placements and the plan.

Times are UTC datetimes in slots of 15 minutes; days are the depot's own days. Everything is
frozen, so a plan is a value: the same input gives an equal plan.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

from ingest.domain.days import FIRST_YEAR, LAST_YEAR

SLOT_MINUTES = 15
SLOT = timedelta(minutes=SLOT_MINUTES)
_SLOTS_PER_HOUR = 60 // SLOT_MINUTES
# Keeps 0.1 + 0.2 + ... style sums from costing one slot more than the hours say.
_ROUNDING = 1e-9


@dataclass(frozen=True)
class Shift:
    """One stretch of open hours on one day, in depot-local wall time; it ends the same day.

    Both ends lie on a quarter of an hour. Raises ValueError otherwise.
    """

    opens: time
    closes: time

    def __post_init__(self) -> None:
        for name, value in (("opens", self.opens), ("closes", self.closes)):
            if value.minute % SLOT_MINUTES or value.second or value.microsecond:
                raise ValueError(f"{name} is {value}: expected a quarter of an hour")
        if self.opens >= self.closes:
            raise ValueError(f"opens {self.opens} is not before closes {self.closes}")


@dataclass(frozen=True)
class Bay:
    """One place in which one vehicle at a time is worked on."""

    name: str


@dataclass(frozen=True)
class Depot:
    """A depot with its bays, open hours and closed days.

    `tz` is an IANA zone name. `hours` has seven entries, Monday first; an empty entry is a day
    on which the shop does not open. `closed` holds single depot-local days, set by the site.
    Raises ValueError when there are not seven weekdays, shifts overlap or a bay name repeats,
    and ZoneInfoNotFoundError when the zone is unknown.
    """

    name: str
    tz: str
    bays: tuple[Bay, ...]
    hours: tuple[tuple[Shift, ...], ...]
    closed: frozenset[date] = frozenset()

    def __post_init__(self) -> None:
        ZoneInfo(self.tz)
        if len(self.hours) != 7:
            raise ValueError(f"hours has {len(self.hours)} days: expected 7, Monday first")
        if len({bay.name for bay in self.bays}) != len(self.bays):
            raise ValueError(f"bays of {self.name} repeat a name")
        for shifts in self.hours:
            for earlier, later in pairwise(shifts):
                if later.opens < earlier.closes:
                    raise ValueError(f"shifts of {self.name} overlap or are out of order")

    @property
    def zone(self) -> ZoneInfo:
        """The depot's time zone."""
        return ZoneInfo(self.tz)

    def shifts_on(self, day: date) -> tuple[Shift, ...]:
        """Shifts of one depot-local day; none when the weekday or the day is closed."""
        return () if day in self.closed else self.hours[day.weekday()]


def working_week(
    opens: time, closes: time, weekdays: Iterable[int] = range(5)
) -> tuple[tuple[Shift, ...], ...]:
    """The same single shift on each of `weekdays` (0 is Monday), as `Depot.hours` wants it."""
    open_days = frozenset(weekdays)
    return tuple((Shift(opens, closes),) if day in open_days else () for day in range(7))


@dataclass(frozen=True)
class Job:
    """Work that one vehicle needs.

    `hours` of bay time are rounded up to whole slots. `deadline` is the last depot-local day on
    which the work may end. `reason` is a sentence saying why it is needed, `next_step` the work.
    `in_shop_from` is the first depot-local day on which the vehicle can be there.
    Raises ValueError when `hours` is not a positive number.
    """

    vehicle_id: int
    unit: str
    depot: str
    hours: float
    deadline: date
    reason: str
    next_step: str
    in_shop_from: date | None = None

    def __post_init__(self) -> None:
        if not (math.isfinite(self.hours) and self.hours > 0):
            raise ValueError(f"hours of {self.unit} is {self.hours}: expected more than 0")

    @property
    def slots_needed(self) -> int:
        """Slots of 15 minutes, rounded up, at least one."""
        return max(1, math.ceil(self.hours * _SLOTS_PER_HOUR - _ROUNDING))


@dataclass(frozen=True)
class Placement:
    """One vehicle in one bay; `start`, `end` and `slots` (the starts of its slots) are UTC.

    `locked` placements are people's decisions. `booked` marks an appointment that stood before
    this plan was made. `version` rises with each change of a stored appointment.
    """

    vehicle_id: int
    unit: str
    depot: str
    bay: str
    start: datetime
    end: datetime
    slots: tuple[datetime, ...]
    locked: bool
    reason: str
    work: str = ""
    booked: bool = False
    version: int = 0


@dataclass(frozen=True)
class Plan:
    """One depot's ISO week ("2026-W48"), as decided at `as_of` (UTC).

    `placements` are in order of start, then bay; `unplaced` holds each job that got no new place
    with the sentence that says why.
    """

    depot: str
    iso_week: str
    as_of: datetime
    placements: tuple[Placement, ...] = ()
    unplaced: tuple[tuple[Job, str], ...] = ()


def iso_week_of(day: date) -> str:
    """ISO 8601 week of a day, such as "2026-W48"."""
    year, week, _ = day.isocalendar()
    return f"{year:04d}-W{week:02d}"


def monday_of(iso_week: str) -> date:
    """The Monday of an ISO 8601 week such as "2026-W48"; ValueError for anything else."""
    year, mark, week = iso_week.partition("-W")
    if not (mark and year.isdigit() and week.isdigit()):
        raise ValueError(f"week is {iso_week!r}: expected YYYY-Www, such as 2026-W48")
    if not FIRST_YEAR <= int(year) <= LAST_YEAR:
        raise ValueError(f"week is {iso_week!r}: expected a year from {FIRST_YEAR} to {LAST_YEAR}")
    return date.fromisocalendar(int(year), int(week), 1)


def require_aware(moment: datetime, name: str) -> datetime:
    """The moment in UTC; ValueError when it carries no zone."""
    if moment.tzinfo is None:
        raise ValueError(f"{name} has no time zone: expected an aware datetime")
    return moment.astimezone(UTC)
