"""Simulated vehicles whose codes are cleared at known moments: truth for finding clears.

Written apart from the rules under test: controllers have counters, code memory and monitors that
run when their conditions are met; the readings then lose, blur and mix what they say. Rates and
curves are invented. Times are epoch ms.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from typing import Any

from gateway.contract import Calibration, EcuReading, Report, epoch_ms, format_time
from gateway.facts import Monitor
from ingest.domain.episodes import fold, start
from tests.support.reports import START, journal_of

HOUR = 3_600_000
DAY = 24 * HOUR
T0 = epoch_ms(format_time(START))
CONTINUOUS = (Monitor.MISFIRE, Monitor.FUEL_SYSTEM, Monitor.COMPONENTS)
WAITING = (
    Monitor.CATALYST, Monitor.EVAPORATIVE_SYSTEM, Monitor.OXYGEN_SENSOR,
    Monitor.OXYGEN_SENSOR_HEATER,
)  # fmt: skip
GROUP_MS = 2 * DAY
"""A clear is found when it is told within this, or at the first reading after a longer silence."""


@dataclass
class Controller:
    """One ECU: what it counts since a clear, its codes, its monitors, its software."""

    engine: bool
    warm_ups: int
    km: float
    minutes: float
    top: tuple[int, int, int] = (255, 65535, 65535)
    rolls: bool = False
    complete: set[Monitor] = field(default_factory=set)
    fault: str | None = None
    seen: int = 0
    passes: int = 0
    warm_ups_clean: int = 0
    pending: set[str] = field(default_factory=set)
    confirmed: set[str] = field(default_factory=set)
    permanent: set[str] = field(default_factory=set)
    lamp: bool = False
    ignition: int = 900
    software: int = 1

    def clear(self) -> None:
        """Service 04 or lost power: all goes but the permanent codes and in-use counters."""
        self.warm_ups, self.km, self.minutes = 0, 0.0, 0.0
        self.complete = set()
        self.pending, self.confirmed, self.lamp = set(), set(), False
        self.seen = self.passes = 0

    def drive(self, dice: random.Random, minutes: float, km: float, soak_h: float) -> None:
        """One driving cycle: counters, monitors by their run conditions, codes."""
        warm = soak_h > 1.5 and minutes > 6
        self.warm_ups += warm
        self.km += km
        self.minutes += minutes
        self.ignition += 1
        fast = km / minutes * 60 > 35 if minutes else False
        if minutes > 2:
            self.complete.add(Monitor.OXYGEN_SENSOR_HEATER)
        if minutes > 11 and fast:
            self.complete.add(Monitor.OXYGEN_SENSOR)
        if minutes > 19 and fast:
            self.complete.add(Monitor.CATALYST)
        if soak_h > 6 and minutes > 11 and dice.random() < 0.4:
            self.complete.add(Monitor.EVAPORATIVE_SYSTEM)
        self._codes(dice, warm)

    def _codes(self, dice: random.Random, warm: bool) -> None:
        if self.fault is not None and dice.random() < 0.8:
            self.passes = 0
            self.seen += 1
            self.pending.add(self.fault)
            if self.seen >= 2:
                self.confirmed.add(self.fault)
                self.permanent.add(self.fault)
                self.lamp = True
        else:
            self.seen = 0
            self.pending.clear()
            self.passes += 1
            if self.passes >= 3:
                self.lamp = False
                self.permanent.clear()
                self.warm_ups_clean += warm
        if self.lamp:
            self.warm_ups_clean = 0
        elif self.warm_ups_clean >= 40:
            self.confirmed.clear()

    def count(self, value: float, place: int) -> int:
        """A counter as read: it stays at its top, or rolls over where the maker did it wrong."""
        top = self.top[place]
        return int(value) % (top + 1) if self.rolls else min(top, int(value))


@dataclass(frozen=True, slots=True)
class Outages:
    """How often a gateway has no power, and for how long at the most, days (both assumed)."""

    days_between: int
    longest_days: int


SELDOM = Outages(days_between=365, longest_days=14)
OFTEN = Outages(days_between=120, longest_days=30)
"""Here some clears leave no trace in the readings: the counters have run past their old values."""


@dataclass
class Tally:
    """What came of a run. `missed` and `false` describe each one for whoever looks into it."""

    vehicle_days: int = 0
    clears: int = 0
    found: int = 0
    false: list[str] = field(default_factory=list)
    missed: list[str] = field(default_factory=list)
    readings: int = 0
    saturated: int = 0
    no_counters: int = 0
    without_trace: int = 0


@dataclass
class _Clear:
    """A clear as it was: when, by what, whether it was found, and whether it left a trace."""

    at: int
    kind: str
    found: bool = False
    trace: bool = False


@dataclass
class _Said:
    """What the readings said last, by name: whether a later one falls behind it.

    Where nothing falls, a vehicle on which nobody cleared anything could have said the same: no
    rule can find such a clear that does not invent others.
    """

    counters: dict[str, float] = field(default_factory=dict)
    complete: set[tuple[str, Monitor]] = field(default_factory=set)
    stored: set[tuple[str, str]] = field(default_factory=set)

    def falls(self, message: Report) -> bool:
        """Whether this reading falls behind; it is then what was said last."""
        counters = {
            name: float(value)
            for name in ("warm_ups_since_clear", "distance_since_clear_km",
                         "minutes_since_clear_min")
            if isinstance(value := getattr(message, name), (int, float))
        }  # fmt: skip
        distance, odometer = counters.get("distance_since_clear_km"), message.odometer_km
        if distance is not None and distance < 65_000 and isinstance(odometer, (int, float)):
            counters["clear at"] = distance - odometer  # stays; falls when codes are cleared
        fell = any(value < self.counters.get(name, value) - 5 for name, value in counters.items())
        self.counters |= counters
        for name, ecu in message.ecus.items():
            if isinstance(ecu.monitors, dict):
                now = {(name, one) for one, done in ecu.monitors.items() if done}
                was = {one for one in self.complete if one[0] == name}
                fell |= bool(was - now)
                self.complete = self.complete - was | now
            if isinstance(ecu.confirmed, list):
                was_stored = {one for one in self.stored if one[0] == name}
                left = {(name, code) for code in ecu.permanent or ()} & was_stored
                fell |= not ecu.confirmed and bool(left)
                self.stored = self.stored - was_stored | {(name, one) for one in ecu.confirmed}
        return fell


@dataclass
class _Vehicle:
    number: int
    dice: random.Random
    gives: dict[str, bool]
    ecus: dict[str, Controller]
    odometer: float
    seq: int = 0
    boot: int = 1
    boot_at: int = T0
    unset: int = 0

    def report(self, at: int) -> Report | None:
        """A reading with its gaps; None when nothing answered."""
        dice = self.dice
        answering = {name: one for name, one in self.ecus.items() if dice.random() > 0.01}
        self.seq += 1
        more: dict[str, Any] = {}
        speaker = next((one for _, one in sorted(answering.items())), None)
        if speaker is not None:
            values = {
                "warm_ups_since_clear": speaker.count(speaker.warm_ups, 0),
                "distance_since_clear_km": float(speaker.count(speaker.km, 1)),
                "minutes_since_clear_min": speaker.count(speaker.minutes, 2),
                "odometer_km": round(self.odometer, 1),
            }
            more = {n: v for n, v in values.items() if self.gives[n] and dice.random() > 0.02}
        unset = self.unset > 0
        self.unset = max(0, self.unset - 1)
        return Report(
            schema="report/1", gateway="gw-1", journal=journal_of(self.number),
            journal_created_at=format_time(START), seq=self.seq, boot_no=self.boot,
            taken_at=None if unset else _time(at), clock="unset" if unset else "synced",
            uptime_ms=at - self.boot_at, reason="periodic",
            ecus={name: self._said(one) for name, one in answering.items()}, **more,
        )  # fmt: skip

    def _said(self, one: Controller) -> EcuReading:
        waiting = WAITING if one.engine else ()
        said: dict[str, Any] = {
            "mil": one.lamp,
            "monitors": {**dict.fromkeys(CONTINUOUS, True), **{m: m in one.complete
                         for m in waiting}},
        }  # fmt: skip
        if self.dice.random() < 0.05:  # readiness not answered, codes all the same
            del said["monitors"]
        if self.dice.random() > 0.1:
            said |= {"confirmed": sorted(one.confirmed), "pending": sorted(one.pending)}
        if self.gives["permanent"] and self.dice.random() > 0.1:
            said["permanent"] = sorted(one.permanent)
        if self.dice.random() < 0.15:
            said["in_use_counters"] = {"ignition_cycles": one.ignition}
            said["calibrations"] = [Calibration(id=f"CAL{one.software}")]
        return EcuReading(**said)


def _time(at: int) -> str:
    from datetime import UTC, datetime

    return format_time(datetime.fromtimestamp(at / 1000, UTC))


def _vehicle(number: int, seed: int) -> _Vehicle:
    dice = random.Random(f"{seed}/{number}")
    old, bare = dice.random() < 0.25, dice.random() < 0.1
    gives = {
        "warm_ups_since_clear": not bare and dice.random() < 0.9,
        "distance_since_clear_km": not bare and dice.random() < 0.9,
        "minutes_since_clear_min": not bare and dice.random() < 0.6,
        "odometer_km": dice.random() < 0.5,
        "permanent": dice.random() < 0.7,
    }
    km = dice.uniform(60_000, 66_500) if old else dice.uniform(0, 30_000)
    engine = Controller(
        True, 255 if old else dice.randint(0, 254), km, km * 1.6, complete=set(WAITING),
        rolls=dice.random() < 0.03,
    )  # fmt: skip
    ecus = {"7E8": engine}
    if dice.random() < 0.3:
        ecus["7E9"] = Controller(False, dice.randint(0, 254), dice.uniform(0, 60_000), 9_000)
    return _Vehicle(number, dice, gives, ecus, km + 20_000)


def run_vehicle(number: int, days: int, seed: int, tally: Tally, outages: Outages) -> None:
    """Drive one vehicle for some days, fold its readings, and settle the score."""
    one = _vehicle(number, seed)
    dice, state, engine = one.dice, start(), one.ecus["7E8"]
    tally.no_counters += not any(
        one.gives[n] for n in one.gives if n.endswith(("_clear", "_clear_km", "_clear_min"))
    )
    tally.saturated += engine.km > 65535 or engine.warm_ups >= 255
    truth: list[_Clear] = []
    said = _Said()
    off_until, heard, last_end, read_since = 0, 0, T0 - 12 * HOUR, True

    def read(at: int) -> None:
        nonlocal state, read_since, heard
        if at < off_until:
            return
        message = one.report(at)
        if message is None:
            return
        tally.readings += 1
        if "7E8" in message.ecus:
            read_since, heard = True, at
        if said.falls(message) and truth:
            truth[-1].trace = True
        step = fold(state, message, "")
        state = step.state
        for episode in step.changed:
            if episode.kind != "clear":
                continue
            since = min(episode.details["not_before"] or at, at - GROUP_MS)
            hit = next((t for t in truth if not t.found and since <= t.at <= at), None)
            if hit is None:
                tally.false.append(f"{number} day {(at - T0) / DAY:.2f}: {episode.details}")
            else:
                hit.found = True

    def happen(at: int) -> None:
        nonlocal read_since
        kind = dice.choice(("tester", "tester", "tester", "power", "software"))
        for name, ecu in one.ecus.items():
            if name == "7E8" or (kind != "software" and dice.random() < 0.8):
                ecu.clear()
        if kind == "software":
            engine.ignition, engine.software = 0, engine.software + 1
        if kind == "power" or dice.random() < 0.3:  # power lost, or unplugged for the tester
            one.boot, one.boot_at = one.boot + 1, at
            one.unset = dice.choice((0, 0, 1, 2))
        if read_since:  # two with no reading between them are one
            truth.append(_Clear(at, kind))
        read_since = False

    for day in range(days):
        if at_least(dice, 1 / outages.days_between):  # without power, not without coverage
            off_until = T0 + day * DAY + dice.randint(1, outages.longest_days) * DAY
        if engine.fault is None and at_least(dice, 1 / 150):
            engine.fault = dice.choice(("P0420", "P0171", "P0442"))
        elif engine.fault is not None and at_least(dice, 1 / 25):
            engine.fault = None
        clear_after = dice.randint(0, 4) if at_least(dice, 1 / 45) else -1
        at = T0 + day * DAY + dice.randint(0, 2 * HOUR)
        for number_today in range(dice.randint(0, 6)):
            read(at)
            minutes = dice.choice((dice.uniform(1, 9), dice.uniform(8, 60)))
            km = minutes / 60 * dice.uniform(15, 80)
            for ecu in one.ecus.values():
                ecu.drive(dice, minutes, km, (at - last_end) / HOUR)
            one.odometer += km
            at += int(minutes * 60_000)
            last_end = at
            read(at)
            if number_today == clear_after:
                happen(at + 60_000)
            at += dice.randint(HOUR // 6, 2 * HOUR)
    settled = [t for t in truth if t.at < heard]  # one that no reading followed is not on trial
    tally.clears += len(settled)
    tally.found += sum(t.found for t in settled)
    tally.without_trace += sum(not t.found and not t.trace for t in settled)
    tally.missed += [
        f"{number} day {(t.at - T0) / DAY:.2f} {t.kind}, trace: {t.trace}, {one.gives}"
        for t in settled
        if not t.found
    ]
    tally.vehicle_days += days


def at_least(dice: random.Random, chance: float) -> bool:
    """One throw."""
    return dice.random() < chance


def run(vehicles: range, days: int, seed: int, outages: Outages) -> Tally:
    """Run some vehicles."""
    tally = Tally()
    for number in vehicles:
        run_vehicle(number, days, seed, tally, outages)
    return tally
