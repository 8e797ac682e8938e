"""Vehicles whose monitors were set back and, in some, cannot complete for a known reason.

Written apart from the rules under test: a monitor runs when the engine, the road and the tank
give it what it needs, and some traffic spoils it; no coin is flipped a driving cycle at a known
chance. Needs, habits and rates are invented (an assumption, no source).
"""

from __future__ import annotations

import random
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime

from gateway.facts import Ignition, Monitor
from ingest.domain.completion import Beta
from ingest.domain.completion_priors import PRIORS
from ingest.domain.cycles import Cycle
from ingest.domain.episodes import Episode
from ingest.domain.picture import EcuPicture, Picture
from ingest.domain.stuck import stuck_monitors
from ingest.domain.stuck_causes import Cause, causes

HOUR = 3_600_000
DAY = 24 * HOUR
T0 = int(datetime(2026, 5, 4, 11, tzinfo=UTC).timestamp() * 1000)
CAT, EVAP = Monitor.CATALYST, Monitor.EVAPORATIVE_SYSTEM
O2, EGR, HEATER = Monitor.OXYGEN_SENSOR, Monitor.EGR_VVT, Monitor.OXYGEN_SENSOR_HEATER
ALL = (CAT, EVAP, O2, EGR, HEATER)
CODES = {"P0101": (CAT, EVAP, O2, EGR), "P0133": (CAT,), "P0171": (CAT,), "P0500": (CAT, EVAP)}
KINDS: dict[str, Cause] = {
    "code": Cause.CODE,
    "fuel": Cause.FUEL,
    "short": Cause.SHORT,
    "thermostat": Cause.COLD_ENGINE,
    "dead": Cause.STANDS_STILL,
}


@dataclass
class Tally:
    """One row for each monitor: healthy ones, blocked ones, flagged ones, the cause named first."""

    healthy_vehicles: int = 0
    days: int = 0
    injected: int = 0
    caught: int = 0
    true_alarms: int = 0
    false_alarms: int = 0
    false_healthy: int = 0
    first_true: int = 0
    by_kind: dict[str, list[int]] = field(default_factory=dict)
    wrong: list[str] = field(default_factory=list)
    waits: dict[Monitor, list[int]] = field(default_factory=dict)  # driving cycles, healthy ones

    @property
    def precision(self) -> float:
        """Of the monitors flagged, those that could not complete."""
        return self.true_alarms / (self.true_alarms + self.false_alarms)


def _needs(monitor: Monitor, cycle: Cycle, dice: random.Random, need_s: float) -> bool:
    """Whether a good monitor runs to its end in this driving cycle."""
    warm = (cycle.coolant_peak_c or 0) > 72
    fast = cycle.seconds_at_or_above_40_kmh or 0
    spoilt = dice.random()
    if monitor is HEATER:
        return cycle.engine_on_s > 100
    if monitor is EVAP:
        fuel = cycle.fuel_start_pct or 0
        cold = (cycle.soak_s or 0) > 6.5 * 3600
        return cold and 15 < fuel < 85 and warm and cycle.engine_on_s > 600 and spoilt > 0.5
    if monitor is CAT:  # one steady stretch of the fast time
        return warm and fast * dice.uniform(0.3, 0.9) > need_s and cycle.engine_on_s > 700
    if monitor is O2:
        return warm and fast > 300 and spoilt > 0.25
    return warm and fast > 240 and cycle.engine_on_s > 500 and spoilt > 0.3


def _cycle(
    seq: int, at: int, dice: random.Random, kind: str, soak_s: float, fuel: float
) -> tuple[Cycle, float]:
    short = kind == "short"
    engine = dice.uniform(200, 520) if short else dice.choice((420, 1500, 1500)) * dice.uniform(
        0.7, 1.5
    )  # fmt: skip
    fast = engine * (dice.uniform(0, 0.3) if short else dice.uniform(0.25, 0.75))
    ambient = dice.uniform(12, 27)
    start = ambient + (85 - ambient) * 2.718 ** (-soak_s / 8000)
    target = 62.0 if kind == "thermostat" else 91.0
    peak = max(start, target - (target - start) * 2.718 ** (-engine / 230))
    km = (fast * 65 + (engine - fast) * 20) / 3600
    used = km * 0.16
    cycle = Cycle(
        journal="j", seq=seq, observed_at=at + int(engine * 1000), started_at=at,
        ended_at=at + int(engine * 1000), propulsion_on_s=engine + 10, engine_on_s=engine,
        distance_km=km, seconds_at_or_above_40_kmh=fast, longest_idle_s=dice.uniform(15, 120),
        coolant_start_c=start, coolant_peak_c=peak, soak_s=soak_s, ambient_c=ambient,
        barometric_kpa=98.0, fuel_start_pct=fuel, fuel_end_pct=fuel - used,
    )  # fmt: skip
    return cycle, fuel - used


def run(
    kind: str, number: int, seed: int, days: int, tally: Tally,
    priors: Mapping[Monitor, Beta] = PRIORS,
) -> None:  # fmt: skip
    """One vehicle from the day its codes were cleared, looked at every evening."""
    dice = random.Random(f"{seed}/{kind}/{number}")
    blocked, code = _blocked(kind, dice)
    need_s = dice.uniform(150, 330)
    done: set[Monitor] = set()
    flagged: dict[Monitor, Cause | None] = {}
    cycles: list[Cycle] = []
    fuel, last_end = dice.uniform(30, 80), T0 - 12 * HOUR
    for day in range(days):
        if (T0 // DAY + day + 3) % 7 >= 5:  # 1970-01-01 was a Thursday
            continue
        at = T0 + day * DAY + dice.randint(0, HOUR)
        for _ in range(dice.randint(7, 10) if kind == "short" else dice.randint(3, 6)):
            cycle, fuel = _cycle(len(cycles) + 1, at, dice, kind, (at - last_end) / 1000, fuel)
            cycles.append(cycle)
            ran = {m for m in ALL if m not in blocked and _needs(m, cycle, dice, need_s)}
            for monitor in ran - done if kind == "healthy" else ():
                tally.waits.setdefault(monitor, []).append(len(cycles))
            done |= ran
            last_end = cycle.ended_at
            if fuel < 25:
                fuel = dice.uniform(55, 99)
            at = last_end + dice.randint(HOUR // 4, 2 * HOUR)
        if kind == "fuel":
            fuel = dice.uniform(96, 100)
        _look(T0 + (day + 1) * DAY, done, cycles, code, flagged, priors)
        if len(done) == len(ALL):
            break
    _score(kind, number, blocked, done, flagged, tally)
    tally.days += days


def _blocked(kind: str, dice: random.Random) -> tuple[set[Monitor], str | None]:
    if kind == "code":
        code = dice.choice(sorted(CODES))
        return set(CODES[code]), code
    if kind == "fuel":
        return {EVAP}, None
    if kind == "short":
        return {CAT, EVAP, O2, EGR}, None
    if kind == "thermostat":
        return {CAT, EVAP, O2, EGR}, "P0128" if dice.random() < 0.5 else None
    return ({dice.choice((CAT, EVAP, EGR))} if kind == "dead" else set()), None


def _look(
    now: int,
    done: set[Monitor],
    cycles: list[Cycle],
    code: str | None,
    flagged: dict[Monitor, Cause | None],
    priors: Mapping[Monitor, Beta],
) -> None:
    ecu = EcuPicture(
        heard_at=now, ignition=Ignition.SPARK, monitors={m: m in done for m in ALL},
        confirmed=[code] if code else [], pending=[],
    )  # fmt: skip
    count = len(cycles)
    picture = Picture(ecus={"7E8": ecu}, driving_cycles=count, driving_cycles_since_clear=count,
                      last_clear_at=T0)  # fmt: skip
    waiting = [
        Episode(kind="not_complete", subject=m.value, started_at=T0, start_key=("j", 1))
        for m in ALL
        if m not in done
    ]
    at = datetime.fromtimestamp(now / 1000, UTC)
    for stuck in stuck_monitors(picture, waiting, at, priors):
        if stuck.monitor not in flagged:
            found = causes(stuck.monitor, picture, cycles)
            flagged[stuck.monitor] = found[0].cause if found else None


def _score(
    kind: str,
    number: int,
    blocked: set[Monitor],
    done: set[Monitor],
    flagged: dict[Monitor, Cause | None],
    tally: Tally,
) -> None:
    if kind == "healthy":
        tally.healthy_vehicles += 1
        tally.false_healthy += len(flagged)
    row = tally.by_kind.setdefault(kind, [0, 0, 0])  # injected, caught, first cause true
    for monitor in blocked:
        tally.injected += 1
        row[0] += 1
        if monitor in flagged:
            named = flagged[monitor] is KINDS[kind]
            tally.caught += 1
            tally.true_alarms += 1
            tally.first_true += named
            row[1] += 1
            row[2] += named
            if not named:
                tally.wrong.append(f"{kind} {number} {monitor.value}: named {flagged[monitor]}")
    for monitor in flagged.keys() - blocked:
        tally.false_alarms += 1
        tally.wrong.append(f"{kind} {number} {monitor.value}: false, named {flagged[monitor]}")
