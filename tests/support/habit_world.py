"""A fleet of habits: vehicles driven as people drive them, whose monitors run on conditions.

Written apart from the forecast, which believes in a chance per driving cycle, in Poisson driving
and in a normal copula. None of the three is here. A monitor runs to its end in a driving cycle
when soak, tank, air, engine time and a steady stretch of road give it what this engine needs;
driving comes from a duty with shifts, days off, holidays and a driver's fueling. Everything is
invented (an assumption, no source). In the shifted world most vehicles get another duty, route or
fueling half-way.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
import numpy.typing as npt

from gateway.facts import Monitor

Floats = npt.NDArray[np.float64]
DAYS = 180
FIRST_DAY = date(2026, 2, 2)  # a Monday
HEATER, O2, EGR = Monitor.OXYGEN_SENSOR_HEATER, Monitor.OXYGEN_SENSOR, Monitor.EGR_VVT
CAT, EVAP = Monitor.CATALYST, Monitor.EVAPORATIVE_SYSTEM
MONITORS = (HEATER, O2, EGR, CAT, EVAP)
FAMILIES = 10
CLEAR_HOUR = 19.0


@dataclass(frozen=True)
class Duty:
    """Stints a day by weekday, how long one is (minutes), its share of fast road, gaps (hours)."""

    stints: tuple[float, ...]
    minutes: float
    fast: float
    gap_h: float
    starts_h: float
    off: float


DUTIES = (
    Duty((7, 7, 7, 7, 7, 3, 0), 14, 0.25, 0.5, 7.0, 0.04),  # parcel rounds
    Duty((3, 3, 3, 3, 3, 0, 0), 38, 0.55, 1.6, 7.5, 0.06),  # field service
    Duty((2, 1, 2, 1, 2, 1, 1), 22, 0.40, 3.0, 9.0, 0.35),  # pool car, taken now and then
    Duty((6, 6, 6, 6, 6, 6, 6), 24, 0.40, 1.2, 5.0, 0.03),  # shifts around the clock
    Duty((2, 2, 2, 2, 2, 1, 1), 31, 0.60, 8.5, 7.2, 0.03),  # taken home
)


@dataclass(frozen=True)
class Habit:
    """One vehicle's way: its duty, its own pace and route, and how its tank is kept (per cent)."""

    duty: Duty
    pace: float
    length: float
    fast: float
    refuel_at: float
    fill_to: tuple[float, float]
    smooth: float


@dataclass(frozen=True)
class Life:
    """One vehicle over the days. Cycles are arrays of one length; times in days from day 0.

    `met[m]` says in which driving cycles monitor m would run to its end. `clears` are moments at
    which all are set back, `gone` the moment after which nothing is heard. `holidays` are days
    planned off. `counters`: whether the ECU gives in-use counters.
    """

    family: int
    begin: Floats
    end: Floats
    met: dict[Monitor, npt.NDArray[np.bool_]]
    clears: tuple[float, ...]
    fitted: float
    gone: float
    holidays: frozenset[int]
    counters: bool


@dataclass(frozen=True)
class Engine:
    """What one engine's monitors need; seconds, per cent, hours, degC."""

    steady_s: float
    cat_run_s: float
    o2_fast_s: float
    egr_fast_s: float
    soak_h: float
    fuel: tuple[float, float]
    calm: float


def weather(dice: np.random.Generator) -> Floats:
    """The air of each day, degC: winter into summer, with warm and cold spells."""
    season = 4.0 + 20.0 * np.sin(np.pi * (np.arange(DAYS) + 10) / 240)
    spell = np.zeros(DAYS)
    for day in range(1, DAYS):
        spell[day] = 0.8 * spell[day - 1] + dice.normal(0, 2.2)
    return np.asarray(season + spell, dtype=np.float64)


def engines(dice: np.random.Generator) -> list[Engine]:
    """The fleet's engine families."""
    return [
        Engine(
            steady_s=dice.uniform(140, 420),
            cat_run_s=dice.uniform(600, 1100),
            o2_fast_s=dice.uniform(200, 500),
            egr_fast_s=dice.uniform(150, 600),
            soak_h=dice.uniform(5.0, 8.0),
            fuel=(15.0, dice.uniform(80, 88)),
            calm=dice.uniform(0.25, 0.75),
        )
        for _ in range(FAMILIES)
    ]


def lives(vehicles: int, seed: int, *, shifted: bool) -> Iterator[Life]:
    """The vehicles, one after the other; the same seed gives the same fleet."""
    common = np.random.default_rng([seed, 0])
    air, kinds = weather(common), engines(common)
    for number in range(vehicles):
        yield _life(np.random.default_rng([seed, 1, number]), air, kinds, shifted)


def _habit(dice: np.random.Generator) -> Habit:
    top_up = dice.random() < 0.3  # filled every evening, whatever is in it
    low = dice.uniform(75, 92) if top_up else dice.uniform(18, 45)
    return Habit(
        duty=DUTIES[int(dice.integers(len(DUTIES)))],
        pace=float(dice.lognormal(0, 0.3)), length=float(dice.lognormal(0, 0.35)),
        fast=float(np.clip(dice.normal(1, 0.3), 0.3, 1.7)), refuel_at=low,
        fill_to=(92.0, 100.0) if dice.random() < 0.6 else (55.0, 95.0),
        smooth=float(dice.uniform(0.35, 0.9)),
    )  # fmt: skip


def _another(habit: Habit, dice: np.random.Generator) -> Habit:
    """The habit after the shift: one vehicle in four keeps its own."""
    fresh = _habit(dice)
    chance = dice.random()
    if chance < 0.25:
        return habit
    if chance < 0.5:
        return fresh
    if chance < 0.75:
        return replace(habit, pace=habit.pace * dice.uniform(0.4, 1.2), length=fresh.length)
    return replace(habit, refuel_at=fresh.refuel_at, fill_to=fresh.fill_to, fast=fresh.fast)


def _life(dice: np.random.Generator, air: Floats, kinds: list[Engine], shifted: bool) -> Life:
    family = int(dice.integers(FAMILIES))
    own = kinds[family]
    engine = replace(
        own, steady_s=own.steady_s * dice.lognormal(0, 0.2),
        o2_fast_s=own.o2_fast_s * dice.lognormal(0, 0.2), soak_h=own.soak_h + dice.normal(0, 0.3),
        calm=float(np.clip(own.calm + dice.normal(0, 0.12), 0.05, 0.95)),
    )  # fmt: skip
    habit = _habit(dice)
    later = _another(habit, dice) if shifted else habit
    fitted = float(dice.choice((0, 0, 0, 20, 45, 70, 95)))
    holidays = _holidays(dice)
    begin, minutes, fast = _driven(dice, habit, later, holidays, fitted)
    end = begin + minutes / 1440
    met = _met(dice, engine, habit, later, air, begin, minutes, fast)
    gone = float(dice.uniform(fitted + 20, 400)) if dice.random() < 0.1 else float(DAYS)
    first = max(fitted + 4, 12)
    count = int(dice.integers(1, 5))
    days = np.sort(dice.integers(int(first), DAYS - 1, count))
    clears = tuple(float(day) + CLEAR_HOUR / 24 for day in dict.fromkeys(days.tolist()))
    return Life(
        family, begin, end, met, clears, fitted, min(gone, float(DAYS)), holidays,
        bool(dice.random() < 0.7),
    )  # fmt: skip


def _holidays(dice: np.random.Generator) -> frozenset[int]:
    off: set[int] = set()
    for _ in range(int(dice.integers(0, 3))):
        start = int(dice.integers(0, DAYS))
        off |= set(range(start, start + int(dice.integers(4, 15))))
    return frozenset(off)


def _driven(
    dice: np.random.Generator, habit: Habit, later: Habit, holidays: frozenset[int], fitted: float
) -> tuple[Floats, Floats, Floats]:
    """Begin (days), length (minutes) and fast seconds of every driving cycle, in order."""
    begins: list[float] = []
    lengths: list[float] = []
    fasts: list[float] = []
    for day in range(int(fitted), DAYS):
        now = later if day >= DAYS // 2 else habit
        duty = now.duty
        if day in holidays or dice.random() < duty.off:
            continue
        mean = duty.stints[day % 7] * now.pace
        count = int(mean + dice.random()) + (1 if dice.random() < 0.15 and mean else 0)
        at = day + (duty.starts_h + dice.normal(0, 0.4)) / 24
        road = now.fast * dice.lognormal(0, 0.25)  # one day's road is all its stints' road
        for _ in range(min(count, 16)):
            minutes = duty.minutes * now.length * dice.lognormal(0, 0.5)
            if at + minutes / 1440 > day + (30 if duty.starts_h < 6 else 24) / 24 - 0.12:
                break
            begins.append(at)
            lengths.append(minutes)
            share = min(duty.fast * road * dice.lognormal(0, 0.3), 0.95)
            fasts.append(minutes * 60 * share)
            at += minutes / 1440 + duty.gap_h / 24 * dice.lognormal(-0.1, 0.5)
    order = np.argsort(np.array(begins))
    begin = np.array(begins)[order]
    minutes_ = np.array(lengths)[order]
    if len(begin) > 1:  # a stint that ran into the next day pushes no other back in time
        begin = np.maximum.accumulate(np.maximum(begin, np.r_[0, (begin + minutes_ / 1440)[:-1]]))
    return begin, minutes_, np.array(fasts)[order]


def _met(
    dice: np.random.Generator, engine: Engine, habit: Habit, later: Habit, air: Floats,
    begin: Floats, minutes: Floats, fast: Floats,
) -> dict[Monitor, npt.NDArray[np.bool_]]:  # fmt: skip
    n = len(begin)
    if n == 0:
        return {one: np.zeros(0, dtype=bool) for one in MONITORS}
    run = minutes * 60
    soak_h = np.r_[12.0, (begin[1:] - (begin + minutes / 1440)[:-1]) * 24]
    cold = np.exp(-soak_h / 2.5)
    warm_s = run - (1 - cold) * 420  # seconds with a warm engine
    after = begin >= DAYS / 2
    smooth = np.where(after, later.smooth, habit.smooth)
    # The longest steady stretch: traffic cuts the fast road into pieces.
    pieces = 1 + dice.poisson(fast / 600 * (1.3 - smooth) * 4)
    steady = fast / pieces * dice.uniform(0.9, 1.5, n)
    ambient = air[np.minimum(begin.astype(int), DAYS - 1)] + dice.normal(0, 1.5, n)
    fuel = _fuel(dice, habit, later, begin, run, fast)
    slosh = fast / np.maximum(run, 1) * 0.4 + dice.normal(0.25, 0.15, n)
    return {
        HEATER: run > 90,
        O2: (warm_s > 120) & (fast > engine.o2_fast_s) & (ambient > -7),
        EGR: (warm_s > 60) & (fast > engine.egr_fast_s) & (run > 500) & (ambient > -7),
        CAT: (warm_s > 240) & (run > engine.cat_run_s) & (steady > engine.steady_s),
        EVAP: (soak_h > engine.soak_h)
        & (fuel > engine.fuel[0])
        & (fuel < engine.fuel[1])
        & (ambient > 4.4)
        & (ambient < 35)
        & (run > 600)
        & (slosh < engine.calm),
    }


def _fuel(
    dice: np.random.Generator, habit: Habit, later: Habit, begin: Floats, run: Floats, fast: Floats
) -> Floats:
    """The tank at each start, per cent."""
    level, found = float(dice.uniform(30, 90)), np.zeros(len(begin))
    used = ((fast * 65 + (run - fast) * 20) / 3600 * 0.16).tolist()
    fills = dice.random(len(begin)).tolist()
    day_before = -1
    for place, at in enumerate(begin.tolist()):
        now = later if at >= DAYS / 2 else habit
        if int(at) != day_before and level < now.refuel_at:  # the evening before
            low, high = now.fill_to
            level = max(level, low + (high - low) * fills[place])
        day_before = int(at)
        found[place] = level
        level = max(level - used[place], 5.0)
        if level < 15:
            level = 40 + 55 * fills[place]
    return found
