"""Which driving cycles a vehicle makes on a day. Assumptions of the demo, no survey behind them."""

from __future__ import annotations

import random
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from fleet_demo.truck import DriveFacts

FAST_KMH, SLOW_KMH = 66.0, 21.0
SATURDAY, SUNDAY = 5, 6


@dataclass(frozen=True, slots=True)
class Habit:
    """How a vehicle is used: ranges (low, high) per driving cycle and per working day."""

    name: str
    cycles: tuple[int, int]
    engine_min: tuple[float, float]
    fast_share: tuple[float, float]
    idle_s: tuple[float, float]
    pause_min: tuple[float, float]
    keeps_tank_full: bool = False


MIXED = Habit("mixed", (3, 5), (18, 50), (0.35, 0.65), (24, 140), (15, 60))
LONG_RUNS = Habit("long runs", (2, 3), (50, 110), (0.7, 0.88), (20, 90), (25, 60))
SHORT_STOPS = Habit("short stops", (8, 10), (4, 8.5), (0.0, 0.25), (10, 60), (10, 35))
FULL_TANK = Habit("full tank", (3, 4), (20, 45), (0.4, 0.65), (30, 140), (15, 60), True)


@dataclass(frozen=True, slots=True)
class Trip:
    """One planned driving cycle: key on at `start`, key off at `end`, both UTC."""

    start: datetime
    end: datetime
    plan: DriveFacts


def plan_cycle(habit: Habit, rng: random.Random) -> DriveFacts:
    """Plan one driving cycle of a habit."""
    engine_s = round(rng.uniform(*habit.engine_min) * 60)
    fast_s = round(engine_s * rng.uniform(*habit.fast_share))
    distance = (fast_s * FAST_KMH + (engine_s - fast_s) * SLOW_KMH) / 3600
    return DriveFacts(
        propulsion_on_s=engine_s + rng.randint(4, 40),
        engine_on_s=engine_s,
        distance_km=round(distance, 1),
        seconds_at_or_above_40_kmh=fast_s,
        longest_idle_s=round(min(engine_s - fast_s, rng.uniform(*habit.idle_s))),
        refuel_to_pct=100.0 if habit.keeps_tank_full else None,
    )


def plan_day(
    habit: Habit, day: date, zone: str, rng: random.Random, *, weekends: bool
) -> list[Trip]:
    """Plan a day of a depot's calendar, in time order; a free day is an empty list."""
    count = rng.randint(*habit.cycles)
    if day.weekday() == SUNDAY and not weekends:
        return []
    if day.weekday() == SATURDAY and not weekends:
        count = 2 if rng.random() < 0.3 else 0
    local = datetime.combine(day, time(6, 10), ZoneInfo(zone))
    moment = local.astimezone(UTC) + timedelta(seconds=rng.randint(0, 4500))
    trips = []
    for _ in range(count):
        plan = plan_cycle(habit, rng)
        end = moment + timedelta(seconds=plan.propulsion_on_s)
        trips.append(Trip(moment, end, plan))
        moment = end + timedelta(seconds=round(rng.uniform(*habit.pause_min) * 60))
    return trips
