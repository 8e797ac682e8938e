"""How one vehicle drives, from its driving cycles: cycles a day, hours of the day, days parked."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from ingest.domain import lay_up
from ingest.domain.cycles import Cycle
from ingest.domain.driving_rate import WINDOW_DAYS, DrivingRate, Plan, driving_rate
from ingest.domain.vehicles import Vehicle

DAY = timedelta(days=1)
ENOUGH_STARTS = 20
"""Fewer starts tell nothing of the hours of the day (X)."""
MIDDLE = (0.05, 0.95)
"""The share of starts that the hours of driving hold (X)."""


def daily_counts(cycles: Sequence[Cycle], today: date, zone: ZoneInfo) -> list[float]:
    """Driving cycles of each of the last days before today, oldest first, from the first known."""
    days = [(today - _local(one, zone).date()).days for one in cycles]
    span = min(WINDOW_DAYS, max(days, default=0))
    return [float(days.count(ago)) for ago in range(span, 0, -1)]


def habit(cycles: Sequence[Cycle], today: date, zone: ZoneInfo) -> DrivingRate:
    """The vehicle's own rate by weekday, up to yesterday, and the hours in which it drives.

    `cycles` are the newest first.
    """
    daily = daily_counts(cycles, today, zone)
    clock = [_local(one, zone) for one in cycles[:100]]
    hours = (6.0, 18.0)
    if len(clock) >= ENOUGH_STARTS:
        low, high = np.quantile([at.hour + at.minute / 60 for at in clock], MIDDLE)
        hours = (float(low), float(max(high, low + 1)))
    return driving_rate(daily, today - DAY, hours=hours)


def parked(
    vehicle: Vehicle, in_bays: Iterable[tuple[datetime, datetime]], today: date, days: int
) -> Plan:
    """The days on which it does not drive: in a bay, laid up, or not on duty by the list."""
    zone = ZoneInfo(vehicle.depot_tz)
    idle: set[date] = set()
    for start, end in in_bays:
        day, last = start.astimezone(zone).date(), end.astimezone(zone).date()
        idle |= {day + DAY * ahead for ahead in range((last - day).days + 1)}
    for ahead in range(days):
        day = today + DAY * ahead
        off_duty = vehicle.duty_days is not None and day.weekday() not in vehicle.duty_days
        if off_duty or lay_up.laid_up(vehicle.lay_up or (), day):
            idle.add(day)
    return Plan(idle=frozenset(idle))


def _local(one: Cycle, zone: ZoneInfo) -> datetime:
    return datetime.fromtimestamp(one.started_at / 1000, zone)
