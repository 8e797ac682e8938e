"""One vehicle foreseen: when its monitors are complete, the chance by its due date, repair by when.

What cannot be said is said to be so, with its reason: a monitor held up by a code, or not setting,
has no date until it is repaired; without enough days of driving there is none at all; faults that
are still to come are not forecast.
"""

from __future__ import annotations

import calendar
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from gateway.facts import CONTINUOUS, FULL_NAMES, Monitor
from ingest.domain.completion import Beta
from ingest.domain.conformal import Calibration, for_group
from ingest.domain.cycles import Cycle
from ingest.domain.draws import Draws, fixed_draws
from ingest.domain.driving_habit import habit, parked
from ingest.domain.driving_rate import MIN_DAYS, DrivingRate, outlook
from ingest.domain.episodes import Episode
from ingest.domain.evidence import Evidence, counted, seen_waits
from ingest.domain.explanation import WhyNot
from ingest.domain.forecast import (
    Floats,
    Ready,
    Rule,
    blocked,
    chance_words,
    driving_needed,
    ready,
    whole,
)
from ingest.domain.hindsight import VEHICLE, Said
from ingest.domain.lamp_options import AfterClear
from ingest.domain.learned import NOTHING_LEARNED, Learned
from ingest.domain.outcome import plural
from ingest.domain.picture import Picture
from ingest.domain.repair_by import TEST_DAYS, repair_by, wanted_chance
from ingest.domain.stuck_causes import Cause
from ingest.domain.vehicles import Vehicle
from ingest.domain.verdict import Outcome, Verdict
from ingest.domain.verification import monitor_of_code

HORIZON = 120
"""Days looked ahead for a ready-by date (X)."""
FARTHEST = 400
"""Days looked ahead for a due date (X)."""
FEW_CYCLES = 5
"""Fewer driving cycles, and an assumed prior: not enough data (method note; X)."""
HELD_UP = 0.9
"""A code that weighs so much among the causes holds the monitor up (X)."""
EVAP = Monitor.EVAPORATIVE_SYSTEM
NOT_DRIVING = ("in shop", "down", "not in use")


@dataclass(frozen=True, slots=True)
class MonitorForecast:
    """One monitor not complete: days at 50 and 90 %, the chance for the due day, and why."""

    monitor: Monitor
    chance: float | None
    ready_50: date | None
    ready_90: date | None
    reason: str


@dataclass(frozen=True, slots=True)
class Forecast:
    """What is foreseen of one vehicle; days are the depot's own, None where nothing can be said.

    `chance` is that of being ready for a test on the due day; `ready_50` and `ready_90` are the
    first days by whose end it is ready with that chance. `repair_by` is the last day for a needed
    repair. `chance_if_repaired_today` is None where none is needed. `said` is for the record.
    """

    chance: float | None
    ready_50: date | None
    ready_90: date | None
    reason: str
    repair_by: date | None = None
    repair_reason: str = "No repair is needed."
    chance_if_repaired_today: float | None = None
    monitors: tuple[MonitorForecast, ...] = ()
    said: Said = field(default_factory=Said)


NOT_LOOKED_AHEAD = Forecast(None, None, None, "Not looked ahead.")


@dataclass(frozen=True, slots=True)
class Facts:
    """What a forecast rests on. `events` in order of start, `cycles` the newest first, `whys` the
    causes of each monitor not complete, `in_bays` its appointments, `retest` the monitors that a
    retest wants, `has_spare` None where the list names no spares, `evap_from` the day before which
    the air is unsuited for the evaporative monitor.
    """

    vehicle: Vehicle
    picture: Picture | None
    verdict: Verdict
    due: date | None
    as_of: datetime
    events: Sequence[Episode] = ()
    cycles: Sequence[Cycle] = ()
    whys: Sequence[WhyNot] = ()
    in_bays: Sequence[tuple[datetime, datetime]] = ()
    after: AfterClear = field(default_factory=AfterClear)
    retest: frozenset[Monitor] = frozenset()
    has_spare: bool | None = None
    evap_from: date | None = None


def foresee(facts: Facts, learned: Learned = NOTHING_LEARNED) -> Forecast:
    """Foresee one vehicle at `facts.as_of` (aware). The same facts give the same forecast."""
    verdict, today = facts.verdict, _today(facts)
    if verdict.outcome is Outcome.WOULD_PASS:
        words = "Ready now: it would pass as it stands; faults still to come are not forecast."
        return Forecast(None, today, today, words)
    if facts.picture is None or verdict.outcome is Outcome.CANNOT_TELL or not verdict.in_scope:
        return Forecast(None, None, None, "Cannot tell how it stands now, so nothing is forecast.")
    rate = habit(facts.cycles, today, ZoneInfo(facts.vehicle.depot_tz))
    if rate.days < MIN_DAYS:
        words = f"Not enough data: {rate.days} days of driving on record, {MIN_DAYS} are wanted."
        needs = verdict.outcome is Outcome.WOULD_FAIL
        return Forecast(None, None, None, words, repair_reason=words if needs else _NO_REPAIR)
    return _Case(facts, facts.picture, rate, learned).forecast()


_NO_REPAIR = "No repair is needed."
_Repair = tuple[date | None, str, float | None]


def _today(facts: Facts) -> date:
    return facts.as_of.astimezone(ZoneInfo(facts.vehicle.depot_tz)).date()


class _Case:
    """One vehicle with enough days of driving."""

    def __init__(self, facts: Facts, picture: Picture, rate: DrivingRate, learned: Learned) -> None:
        self.facts, self.picture, self.rate, self.learned = facts, picture, rate, learned
        local = facts.as_of.astimezone(ZoneInfo(facts.vehicle.depot_tz))
        self.today = local.date()
        hour = local.hour + local.minute / 60
        self.morning = 1.0 - hour / 24
        due = facts.due
        self.due_days = None if due is None else min((due - self.today).days, FARTHEST)
        days = max(HORIZON, (self.due_days or 0) + 1)
        plan = parked(facts.vehicle, facts.in_bays, self.today, days)
        self.ahead = outlook(rate, self.today, hour, days, plan)
        self.draws: Draws = fixed_draws()
        self.stands_still = facts.vehicle.state in NOT_DRIVING
        self.seasonal = {one.monitor for one in facts.whys if self._waits_for_the_season(one)}

    def forecast(self) -> Forecast:
        held = {
            one.monitor: words
            for one in self.facts.whys
            if one.monitor not in self.seasonal and (words := held_up(one))
        }
        waiting = [one for one in self.facts.verdict.incomplete if one not in CONTINUOUS]
        own = {one: self._evidence(one) for one in waiting}
        chances = {one: self._chance(one, own[one]) for one in waiting if one not in held}
        thin = [one for one in chances if self._thin(one, own[one])]
        needed = self._after_the_season(driving_needed(chances, self.rate.shape, self.draws))
        needed |= blocked(held, self.draws)
        monitors = tuple(
            self._monitor(one, needed[one], own[one], chances.get(one), held.get(one), one in thin)
            for one in waiting
        )
        chances_by_day = {
            one.value: self._raw(ready(needed[one]))
            for one in waiting
            if one not in held and one not in thin and not self.stands_still
        }
        said = Said(chances_by_day, tuple(waiting), self._rule())
        every = whole(needed, said.rule)
        failing = self.facts.verdict.outcome is Outcome.WOULD_FAIL
        stuck_out = every is not None and not np.isfinite(every).any()
        whole_words = self._whole_words(failing, stuck_out, held, thin, every)
        repair: _Repair = (None, _NO_REPAIR, None)
        if failing or stuck_out:
            repair = self._repair(waiting, clears=failing)
        if whole_words is not None or every is None:
            return Forecast(None, None, None, whole_words or "", *repair, monitors, said)
        chances_by_day[VEHICLE] = self._raw(ready(every))
        chance, half, most = self._days(ready(every), VEHICLE)
        words = self._basis(VEHICLE) + self._season_words(waiting)
        return Forecast(chance, half, most, words, *repair, monitors, said)

    # ------------------------------------------------------------------------- the season
    def _waits_for_the_season(self, why: WhyNot) -> bool:
        """Whether it is the air alone that keeps it waiting: no repair would help."""
        first = why.causes[0].cause if why.causes else None
        return why.monitor is EVAP and first is Cause.AMBIENT and self.facts.evap_from is not None

    def _after_the_season(self, needed: dict[Monitor, Floats]) -> dict[Monitor, Floats]:
        """The same with the evaporative monitor's driving counted from when the air suits."""
        begins = self.facts.evap_from
        if begins is None or EVAP not in needed:
            return needed
        before = self.morning + (begins - self.today).days - 1
        beyond = before >= float(self.ahead.at[-1])
        return needed | {EVAP: needed[EVAP] + (np.inf if beyond else self.ahead.done(before))}

    def _season_words(self, monitors: Sequence[Monitor]) -> str:
        begins = self.facts.evap_from
        if begins is None or EVAP not in monitors:
            return ""
        name = calendar.month_name[begins.month]
        return f" Evaporative system: not before about {name}, until then the air is unsuited."

    # ------------------------------------------------------------------------- what is known
    def _waited(self, monitor: Monitor) -> int:
        """Driving cycles of the present wait."""
        begun = [
            int(one.details.get("driving_cycles_at_start", 0))
            for one in self.facts.events
            if one.kind == "not_complete" and one.subject == monitor.value and one.ended_at is None
        ]
        since = self.picture.driving_cycles - max(begun, default=0)
        return max(0, min(since, self.picture.driving_cycles_since_clear))

    def _evidence(self, monitor: Monitor) -> Evidence:
        told = counted(monitor, self.picture, self._waited(monitor))
        return told if told is not None else seen_waits(monitor, self.facts.events)

    def _chance(self, monitor: Monitor, own: Evidence) -> Beta:
        # Driving cycles in unsuited air say nothing of those to come.
        waited = 0 if monitor in self.seasonal else self._waited(monitor)
        return own.chance(self.learned.prior(self.facts.vehicle, monitor), waited)

    def _thin(self, monitor: Monitor, own: Evidence) -> bool:
        prior = self.learned.prior(self.facts.vehicle, monitor)
        return "assumption" in prior.basis and own.cycles + self._waited(monitor) < FEW_CYCLES

    def _rule(self) -> Rule:
        verdict = self.facts.verdict
        if verdict.allowed_monitors:
            return Rule(0, self.facts.retest, frozenset(verdict.allowed_monitors))
        return Rule(verdict.allowed_incomplete or 0, self.facts.retest)

    # ------------------------------------------------------------------------- what is said
    def _held(self, group: str) -> Calibration:
        return for_group(self.learned.calibrations, group)

    def _raw(self, said: Ready) -> tuple[float, ...]:
        ends = self.morning + np.arange(HORIZON, dtype=np.float64)
        return tuple(np.round(said.raw_chance(self.ahead.done(ends)), 4).tolist())

    def _days(self, said: Ready, group: str) -> tuple[float | None, date | None, date | None]:
        """The chance for a test on the due day, and the days at 50 and 90 %."""
        ends = self.morning + np.arange(HORIZON, dtype=np.float64)
        by_day = self._held(group).chance(said.raw_chance(self.ahead.done(ends)))
        due = self.due_days
        chance = None
        if due is not None and due >= TEST_DAYS:
            chance = float(by_day[min(due - TEST_DAYS, HORIZON - 1)])
        return chance, self._day_at(by_day, 0.5), self._day_at(by_day, 0.9)

    def _day_at(self, by_day: Floats, chance: float) -> date | None:
        good = np.flatnonzero(by_day >= chance)
        return self.today + timedelta(days=int(good[0])) if len(good) else None

    def _monitor(
        self, monitor: Monitor, needed: Floats, own: Evidence, chance: Beta | None,
        held: str | None, thin: bool,
    ) -> MonitorForecast:  # fmt: skip
        if held is not None:
            return MonitorForecast(monitor, None, None, None, held)
        if self.stands_still:
            return MonitorForecast(monitor, None, None, None, self._parked_words())
        if thin or chance is None:
            words = "Not enough data: no completions of its own, and none of its fleet yet."
            return MonitorForecast(monitor, None, None, None, words)
        by_due, half, most = self._days(ready(needed), monitor.value)
        uncounted = ", in unsuited air" if monitor in self.seasonal else ""
        words = (
            f"Completes in about {chance.mean:.0%} of driving cycles "
            f"({self._waited(monitor)} so far without{uncounted}). Rests on {own.basis}; "
            f"start value ({chance.basis}); {self._held(monitor.value).basis}."
            f"{self._season_words([monitor])}"
        )
        return MonitorForecast(monitor, by_due, half, most, words)

    def _parked_words(self) -> str:
        return f"No date: the vehicle is {self.facts.vehicle.state} and does not drive."

    def _whole_words(
        self, failing: bool, stuck_out: bool, held: Mapping[Monitor, str],
        thin: Sequence[Monitor], every: Floats | None,
    ) -> str | None:  # fmt: skip
        """Why no date is given for the vehicle; None when one is."""
        if failing:
            return "Not ready until it is repaired: see repair by."
        if stuck_out:
            names = ", ".join(FULL_NAMES[one] for one in held)
            return f"No date until what holds them up is put right: {names}."
        if every is None:
            return "Not forecast: what is missing is not a monitor; see the expected result."
        if self.stands_still:
            return self._parked_words()
        if thin:
            names = ", ".join(FULL_NAMES[one] for one in thin)
            return f"Not enough data: nothing is known yet of how often {names} completes."
        return None

    def _basis(self, group: str) -> str:
        cycles = sum(self.rate.by_weekday)
        allowed = self.facts.verdict.allowed_incomplete
        told = (
            f"The program lets {allowed} be not complete"
            if allowed
            else "All counted monitors have to be complete"
            if allowed is not None
            else "How many may be not complete is not known: all are waited for"
        )
        return (
            f"{told}. It makes about {cycles:.0f} driving cycles a week ({self.rate.days} days on "
            f"record). Dates {self._held(group).basis}."
        )

    # ------------------------------------------------------------------------- repair by
    def _repair(self, waiting: Sequence[Monitor], *, clears: bool) -> _Repair:
        """The last day for the repair: `clears` says that codes are, so that all are set back."""
        due = self.due_days
        if due is None:
            return None, "No due date is known.", None
        if due < TEST_DAYS:
            return None, "The due date leaves no day for a repair and a test.", 0.0
        monitors = self.picture.monitors()
        every = [one for one in Monitor if one in monitors and one not in CONTINUOUS]
        if not clears:
            every = [one for one in every if one in waiting]
        fresh = {
            one: self._evidence(one).chance(self.learned.prior(self.facts.vehicle, one), 0.0)
            for one in every
        }
        needed = self._after_the_season(driving_needed(fresh, self.rate.shape, self.draws))
        rule = self._rule()
        if self.facts.after.permanent_counts:
            own = (monitor_of_code(code, every) for code in self.picture.codes("confirmed") or ())
            must = rule.must | {one for one in own if one is not None}
            rule = Rule(rule.allowed, must, rule.may)
        waits = whole(needed, rule)
        if self.facts.after.warm_ups:  # at most one in a driving cycle
            least = np.full(len(self.draws.level), float(self.facts.after.warm_ups))
            floor = self.draws.driving(least)
            waits = floor if waits is None else np.maximum(waits, floor)
        wanted, why = wanted_chance(self.facts.vehicle.hold_reason, self.facts.has_spare)
        after = None if waits is None else ready(waits)
        found = repair_by(after, self.ahead, self.morning, due, wanted, self._held(VEHICLE))
        basis = (
            f"Taken as clearing the codes: {plural(len(every), 'monitor')} start over."
            if clears
            else f"{plural(len(every), 'monitor')} still to complete after it; do not clear codes."
        )
        if found.days is None:
            left = f"a repair today gives {chance_words(found.chance_today)}"
            words = f"No day is left with {why} of being ready in time: {left}. {basis}"
            return None, words, found.chance_today
        day = self.today + timedelta(days=found.days)
        words = f"The last day for the repair with {why} of being ready in time. {basis}"
        return day, words, found.chance_today


def held_up(why: WhyNot) -> str | None:
    """Why a monitor has no date until something is repaired; None when it may still complete."""
    name = FULL_NAMES[why.monitor]
    first = why.causes[0] if why.causes else None
    if first is not None and first.cause is Cause.CODE and first.weight >= HELD_UP:
        return f"No date for the {name} monitor until it is repaired: {first.evidence}."
    if why.stuck is not None:
        return f"No date for the {name} monitor until its cause is found: {why.stuck}"
    return None
