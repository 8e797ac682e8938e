"""How much a vehicle will drive: its own driving cycles by weekday, and what is planned.

Driving cycles arrive as a Poisson process whose intensity follows the weekday and the plan, times
a level that is known only so well (Gamma). `Outlook.done(t)` is the expected number of cycles by
moment t; a wait of so many cycles becomes a moment by turning that curve round.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, timedelta

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
WINDOW_DAYS = 56  # the vehicle's own last days that count (28-56: method note)
HALF_LIFE_DAYS = 28.0  # a day so old weighs half: habits shift (X)
MIN_DAYS = 7  # fewer days on record, and no plan: not enough data


@dataclass(frozen=True, slots=True)
class RatePrior:
    """What the fleet drives: cycles a day, Monday first; `weight` in weeks of the vehicle's own."""

    by_weekday: tuple[float, ...]
    weight: float
    basis: str

    def __post_init__(self) -> None:
        if len(self.by_weekday) != 7 or min(self.by_weekday) < 0 or self.weight <= 0:
            raise ValueError(f"{self!r}: expected seven rates of 0 or more and a weight above 0")


ASSUMED_RATE = RatePrior(
    (4.0, 4.0, 4.0, 4.0, 4.0, 1.0, 1.0), 1.0, "assumption, no source; weight of one week"
)


@dataclass(frozen=True, slots=True)
class Plan:
    """Planned duty. `cycles` overrides a day's expected cycles; `idle` days have none.

    Idle: appointments in a bay, lay-up, days off. Both are the depot's own days.
    """

    cycles: Mapping[date, float] = field(default_factory=dict)
    idle: frozenset[date] = frozenset()


@dataclass(frozen=True, slots=True)
class DrivingRate:
    """Expected cycles by weekday (Monday first), and how well their level is known.

    `shape` is that of the Gamma level with mean 1 (its relative variance is 1 / shape); `hours`
    is the part of the day in which the vehicle drives.
    """

    by_weekday: tuple[float, ...]
    shape: float
    days: int
    hours: tuple[float, float] = (6.0, 18.0)

    def on(self, day: date, plan: Plan) -> float:
        """Expected driving cycles on a day."""
        if day in plan.idle:
            return 0.0
        return plan.cycles.get(day, self.by_weekday[day.weekday()])


def driving_rate(
    daily: npt.ArrayLike,
    last_day: date,
    prior: RatePrior = ASSUMED_RATE,
    hours: tuple[float, float] = (6.0, 18.0),
) -> DrivingRate:
    """The rate from driving cycles a day, oldest first, ending with `last_day`. Shape (days,).

    A day without a driving cycle is a 0; days for which nothing is known must be left out at the
    old end. Old days fade (`HALF_LIFE_DAYS`); counts wilder than Poisson widen the level.
    """
    counts = np.asarray(daily, dtype=np.float64)[-WINDOW_DAYS:]
    days = len(counts)
    ages = np.arange(days)[::-1]
    weights = 0.5 ** (ages / HALF_LIFE_DAYS)
    weekday = (last_day.weekday() - ages) % 7
    base = np.asarray(prior.by_weekday)
    seen = np.bincount(weekday, weights, 7)
    driven = np.bincount(weekday, weights * counts, 7)
    # The level of the prior follows the vehicle first, and its weekdays' shares after it.
    level = (prior.weight * base.sum() + driven.sum()) / (
        prior.weight * base.sum() + float((seen * base).sum()) + 1e-9
    )
    rates = (prior.weight * base * level + driven) / (prior.weight + seen)
    fitted = np.maximum(rates[weekday], 0.05) if days else np.ones(0)
    spread = float(np.sum(weights * (counts - fitted) ** 2 / fitted)) if days else 0.0
    wild = max(1.0, spread / float(weights.sum())) if days else 1.0
    shape = (prior.weight * float(base.sum()) * 0.25 + float(driven.sum())) / wild
    return DrivingRate(tuple(float(one) for one in rates), max(shape, 0.5), days, hours)


@dataclass(frozen=True, slots=True)
class Outlook:
    """Expected cumulative cycles from the forecast's moment on, at level 1.

    `at` (knots,) in days after the moment, `cycles` (knots,) cumulative; both never fall.
    """

    at: Floats
    cycles: Floats

    def done(self, days: npt.ArrayLike) -> Floats:
        """Expected cycles by so many days after the moment."""
        return np.asarray(
            np.interp(np.asarray(days, dtype=np.float64), self.at, self.cycles), dtype=np.float64
        )

    def moment(self, cycles: Floats) -> Floats:
        """Days after the moment by which so many expected cycles are done; inf past the end."""
        place = np.searchsorted(self.cycles, cycles, side="left")
        inside = place < len(self.cycles)
        place = np.clip(place, 1, len(self.cycles) - 1)
        low, high = self.cycles[place - 1], self.cycles[place]
        share = np.clip((cycles - low) / np.maximum(high - low, 1e-12), 0.0, 1.0)
        when = self.at[place - 1] + share * (self.at[place] - self.at[place - 1])
        return np.where(inside, when, np.inf)


def outlook(
    rate: DrivingRate, today: date, hour: float, days: int, plan: Plan | None = None
) -> Outlook:
    """The cumulative curve over `days` depot days, from `today` at `hour` (0 to 24)."""
    plan = plan or Plan()
    begin, end = rate.hours
    each = np.array([rate.on(today + timedelta(days=i), plan) for i in range(days)])
    starts = np.arange(days) + (begin - hour) / 24
    ends = np.arange(days) + (end - hour) / 24
    before = np.concatenate([[0.0], np.cumsum(each)[:-1]])
    at = np.column_stack([starts, ends]).ravel()
    cycles = np.column_stack([before, before + each]).ravel()
    zero = float(np.interp(0.0, at, cycles))
    later = at > 0
    return Outlook(
        np.concatenate([[0.0], at[later]]), np.concatenate([[0.0], cycles[later] - zero])
    )
