"""Forecasts of the fleet of habits, made as it would have been on the day, and what then happened.

The facts are those a store would hold: driving cycles a day, in-use counters where the ECU gives
them, waits seen before, planned days off. Nothing of an engine's needs is passed on.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import timedelta

import numpy as np
import numpy.typing as npt

from gateway.facts import Monitor
from ingest.domain.completion import Beta, fit_prior
from ingest.domain.completion_priors import PRIORS
from ingest.domain.draws import fixed_draws
from ingest.domain.driving_rate import MIN_DAYS, Outlook, Plan, driving_rate, outlook
from ingest.domain.evidence import MOST_CYCLES, Evidence
from ingest.domain.forecast import Ready, Rule, driving_needed, ready, whole
from tests.support.habit_world import FIRST_DAY, MONITORS, Life, lives

Floats = npt.NDArray[np.float64]
HORIZON = 180
VEHICLE = "vehicle"
ALLOWED = 1
LEARN_DAYS = 30
"""Priors are learned anew so often, from what is known by then."""


@dataclass(slots=True)
class Origin:
    """One forecast and what came of it. Times in days; `took` from the origin, `over` when cut.

    `group` is a monitor's value, or `VEHICLE`. `since` is how long it had waited by then. `own` are
    the plain figures that a plug-in forecast uses: (completions, cycles, cycles a day). `parts`
    are those of each monitor that a whole vehicle waits for.
    """

    at: float
    vehicle: int
    family: int
    group: str
    since: float
    took: float
    resolved: bool
    said: Ready
    ahead: Outlook
    own: tuple[float, float, float]
    parts: Mapping[str, tuple[float, float, float]] = field(default_factory=dict)

    @property
    def day(self) -> float:
        """The depot's day on which it came, 0 for that of the origin; half a day less when cut."""
        return float(np.floor(self.took + self.at % 1)) - (0.0 if self.resolved else 0.5)

    def ends(self, days: Floats) -> Floats:
        """When so many depot days end, in days after the origin; day 0 is that of the origin."""
        return days + 1 - self.at % 1

    def raw(self, day: npt.ArrayLike) -> Floats:
        """The raw chance by the end of a depot day."""
        ends = self.ends(np.asarray(day, dtype=np.float64))
        return self.said.raw_chance(self.ahead.done(np.maximum(ends, 0.0)))

    def day_of(self, level: float) -> float:
        """The depot day that holds a raw level; inf beyond the outlook."""
        return float(np.floor(self.said.day(level, self.ahead) + self.at % 1))


@dataclass(slots=True)
class Ask:
    """What is known when a forecast is asked for, before priors are."""

    at: float
    vehicle: int
    life: Life
    since: float
    waiting: dict[Monitor, tuple[float, bool]]
    waited: int
    evidence: dict[Monitor, Evidence]
    per_day: float
    daily: Floats
    hours: tuple[float, float]


@dataclass
class Learned:
    """Priors as known at a moment: by family and monitor, else by monitor, else as assumed."""

    family: dict[tuple[int, Monitor], Beta] = field(default_factory=dict)
    fleet: dict[Monitor, Beta] = field(default_factory=dict)

    def prior(self, family: int, monitor: Monitor) -> Beta:
        """The prior for one family."""
        return self.family.get((family, monitor)) or self.fleet.get(monitor) or PRIORS[monitor]


def asks(fleet: Sequence[Life], seed: int) -> list[Ask]:
    """One forecast for each clear, some evenings after it, while anything waits; in order."""
    dice = np.random.default_rng([seed, 2])
    found = [one for number, life in enumerate(fleet) for one in _of_life(number, life, dice)]
    return sorted(found, key=lambda one: (one.at, one.vehicle))


def _of_life(number: int, life: Life, dice: np.random.Generator) -> list[Ask]:
    made = []
    seen: dict[Monitor, list[int]] = {one: [] for one in MONITORS}
    for place, clear in enumerate(life.clears):
        at = clear + int(dice.integers(0, 6))
        over = min([*life.clears[place + 1 : place + 2], life.gone])
        if at >= over:
            continue
        waiting: dict[Monitor, tuple[float, bool]] = {}
        after = life.begin > clear
        for one in MONITORS:
            ends = life.end[after & life.met[one]]
            took = float(ends[0]) if len(ends) else np.inf
            if took > at:
                waiting[one] = (min(took, over) - at, took <= over)
        known = life.end <= at
        evidence = {one: _evidence(life, one, clear, seen) for one in MONITORS}
        for one in MONITORS:  # waits seen from now on
            done = np.flatnonzero(after & life.met[one])
            if len(done) and life.end[done[0]] <= over:
                seen[one].append(int(done[0] - np.flatnonzero(after)[0]) + 1)
        if waiting:
            made.append(_ask(number, life, clear, at, waiting, evidence, known))
    return made


def _evidence(
    life: Life, one: Monitor, clear: float, seen: Mapping[Monitor, list[int]]
) -> Evidence:
    if life.counters:
        before = life.end <= clear
        return Evidence(float(life.met[one][before].sum()), float(before.sum()))
    return Evidence(float(len(seen[one])), float(sum(seen[one])))


def _ask(
    number: int, life: Life, clear: float, at: float, waiting: dict[Monitor, tuple[float, bool]],
    evidence: dict[Monitor, Evidence], known: npt.NDArray[np.bool_],
) -> Ask:  # fmt: skip
    starts = life.begin[known]
    today = int(at)
    first = max(int(life.fitted), today - 56)
    daily = np.bincount(starts[starts >= first].astype(int) - first, minlength=today - first + 1)
    clock = starts[-100:] % 1 * 24
    hours = (6.0, 18.0)
    if len(clock) >= 20:
        low, high = np.quantile(clock, (0.05, 0.95))
        hours = (float(low), float(max(high, low + 1)))
    return Ask(
        at, number, life, at - clear, waiting, int((known & (life.begin > clear)).sum()), evidence,
        float(daily.mean()), daily.astype(np.float64), hours,
    )  # fmt: skip


def learn(fleet: Sequence[Life], now: float) -> Learned:
    """Priors from the in-use counters of the fleet as they stood at `now`."""
    learned = Learned()
    counting = [life for life in fleet if life.counters]
    for one in MONITORS:
        before = [life.end <= now for life in counting]
        done = np.array([life.met[one][b].sum() for life, b in zip(counting, before, strict=True)])
        cycles = np.array([b.sum() for b in before])
        weight = np.minimum(1.0, MOST_CYCLES / np.maximum(cycles, 1))
        done, cycles = done * weight, cycles * weight
        pooled = fit_prior(done, cycles, "fleet")
        if pooled is not None:
            learned.fleet[one] = pooled
        for family in {life.family for life in counting}:
            mine = np.array([life.family == family for life in counting])
            fitted = fit_prior(done[mine], cycles[mine], f"family {family}")
            if fitted is not None:
                learned.family[family, one] = fitted
    return learned


def forecasts(vehicles: int, seed: int, *, shifted: bool) -> list[Origin]:
    """Every forecast of a fleet over its days, in order of time."""
    fleet = list(lives(vehicles, seed, shifted=shifted))
    draws = fixed_draws()
    found: list[Origin] = []
    learned, block = Learned(), -1
    for ask in asks(fleet, seed):
        if int(ask.at) // LEARN_DAYS != block:
            block = int(ask.at) // LEARN_DAYS
            learned = learn(fleet, block * LEARN_DAYS)
        if len(ask.daily) < MIN_DAYS:
            continue
        today = FIRST_DAY + timedelta(days=int(ask.at))
        rate = driving_rate(ask.daily, today, hours=ask.hours)
        off = frozenset(FIRST_DAY + timedelta(days=day) for day in ask.life.holidays)
        ahead = outlook(rate, today, ask.at % 1 * 24, HORIZON, Plan(idle=off))
        chances = {
            one: ask.evidence[one].chance(learned.prior(ask.life.family, one), ask.waited)
            for one in ask.waiting
        }
        needed = driving_needed(chances, rate.shape, draws)
        plain = {
            one.value: (own.done, own.cycles + ask.waited, ask.per_day)
            for one, own in ask.evidence.items()
            if one in ask.waiting
        }
        for one, (took, resolved) in ask.waiting.items():
            found.append(
                Origin(
                    ask.at, ask.vehicle, ask.life.family, one.value, ask.since, took, resolved,
                    ready(needed[one]), ahead, plain[one.value],
                )
            )  # fmt: skip
        every = whole(needed, Rule(ALLOWED))
        if every is not None:
            ends = sorted(ask.waiting.values())
            took, resolved = ends[len(ends) - ALLOWED - 1]
            found.append(
                Origin(
                    ask.at, ask.vehicle, ask.life.family, VEHICLE, ask.since, took, resolved,
                    ready(every), ahead, (0.0, 0.0, ask.per_day), plain,
                )
            )  # fmt: skip
    return found
