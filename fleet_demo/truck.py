"""A simulated vehicle: it stands, it drives, and its controllers learn from it."""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Literal
from zoneinfo import ZoneInfo

from fleet_demo import physics
from fleet_demo.ecu import CycleEnd, Ecu
from fleet_demo.faults import FAULTS
from fleet_demo.heavy import HeavyController
from fleet_demo.monitors import Conditions
from fleet_demo.sensors import Live

IDLE_RPM = 720.0
CHARGING_V = 14.1
RESTING_V = 12.5
LOW_FUEL_PCT = 22.0
JUDGED_AT = 0.7
"""Share of the engine's running time after which a freeze frame is taken (assumption)."""
STUCK_OPEN = "P0128"
"""The code of a thermostat that lets the engine run cold."""


@dataclass(frozen=True, slots=True)
class Depot:
    """A depot of our own invention: its name, IANA time zone and climate."""

    name: str
    zone: str
    climate: physics.Climate


@dataclass(frozen=True, slots=True)
class DriveFacts:
    """The plan of one driving cycle: s, km, s, s. `refuel_to_pct` = filled up before the start."""

    propulsion_on_s: float
    engine_on_s: float
    distance_km: float
    seconds_at_or_above_40_kmh: float
    longest_idle_s: float
    refuel_to_pct: float | None = None


@dataclass(frozen=True, slots=True)
class DrivingCycleFacts:
    """What one driving cycle was, under the names of the report's own fields. UTC, s, km, degC."""

    started_at: datetime
    ended_at: datetime
    propulsion_on_s: float
    engine_on_s: float
    distance_km: float
    seconds_at_or_above_40_kmh: float
    longest_idle_s: float
    coolant_start_c: float
    coolant_peak_c: float
    warm_up: bool
    soak_s: float | None
    ambient_c: float
    baro_kpa: float
    fuel_start_pct: float
    fuel_end_pct: float
    lowest_v: float


@dataclass(frozen=True, slots=True)
class _Running:
    """The driving cycle under way."""

    started_at: datetime
    plan: DriveFacts
    conditions: Conditions
    coolant_start_c: float
    lowest_v: float


@dataclass(slots=True)
class SimulatedVehicle:
    """One vehicle of the invented fleet. `ecus` is keyed by responding CAN id in hex.

    `thirst` is fuel in percent of the tank per km. A vehicle with a `heavy` controller has no
    `ecus`: it broadcasts as J1939 vehicles do and answers no request of J1979.
    """

    unit: str
    vin: str
    plate: str
    depot: Depot
    ignition: str
    model_year: int
    gvwr_lb: int
    gateway: str
    odometer_km: float
    fuel_pct: float
    ecus: dict[str, Ecu]
    rng: random.Random
    thirst: float = 0.16
    heavy: HeavyController | None = None
    live: Live = field(default_factory=Live)
    last_coolant_c: float = 20.0
    ended_at: datetime | None = None
    running: _Running | None = None

    def __post_init__(self) -> None:
        """All controllers see the same sensors."""
        for ecu in self.ecus.values():
            ecu.live = self.live
        self.live.odometer_km = self.odometer_km
        self.live.fuel_pct = self.fuel_pct

    @property
    def protocol(self) -> Literal["j1979", "j1939"]:
        """What is spoken on its bus."""
        return "j1979" if self.heavy is None else "j1939"

    def key_on(self, start: datetime, plan: DriveFacts) -> None:
        """Begin a driving cycle at `start` (UTC): sensors read as they stand before cranking."""
        if self.running is not None:
            raise ValueError(f"{self.unit}: the key is on already")
        self._refuel(plan)
        climate = self.depot.climate
        ambient = physics.ambient_c(climate, start.astimezone(ZoneInfo(self.depot.zone)), self.rng)
        soak = None if self.ended_at is None else (start - self.ended_at).total_seconds()
        if soak is not None and soak < 0:
            raise ValueError(f"{self.unit}: starts before it stopped")
        coolant = ambient
        if soak is not None:
            coolant = physics.cooled_c(self.last_coolant_c, ambient, soak)
        conditions = Conditions(
            engine_on_s=plan.engine_on_s,
            fast_s=plan.seconds_at_or_above_40_kmh,
            longest_idle_s=plan.longest_idle_s,
            soak_s=soak,
            fuel_pct=self.fuel_pct,
            ambient_c=ambient,
        )
        low_v = physics.cranking_v(ambient, self.rng)
        self.running = _Running(start, plan, conditions, coolant, low_v)
        self._show(coolant, ambient, rpm=0.0, run_s=0.0, volts=RESTING_V)
        for ecu in self.ecus.values():
            ecu.begin_cycle(conditions)

    def key_off(self) -> DrivingCycleFacts:
        """End the driving cycle as planned: monitors, codes and counters move now."""
        running = self.running
        if running is None:
            raise ValueError(f"{self.unit}: the key is not on")
        plan, at_start = running.plan, running.conditions
        start_c = round(running.coolant_start_c, 1)
        peak = round(physics.warmed_c(start_c, plan.engine_on_s, self._warm_c()), 1)
        warm_up = physics.is_warm_up(start_c, peak)
        fuel_end = max(3.0, self.fuel_pct - plan.distance_km * self.thirst)
        facts = DrivingCycleFacts(
            started_at=running.started_at,
            ended_at=running.started_at + timedelta(seconds=plan.propulsion_on_s),
            propulsion_on_s=plan.propulsion_on_s,
            engine_on_s=plan.engine_on_s,
            distance_km=plan.distance_km,
            seconds_at_or_above_40_kmh=plan.seconds_at_or_above_40_kmh,
            longest_idle_s=plan.longest_idle_s,
            coolant_start_c=start_c,
            coolant_peak_c=peak,
            warm_up=warm_up,
            soak_s=at_start.soak_s,
            ambient_c=round(at_start.ambient_c, 1),
            baro_kpa=float(self.depot.climate.pressure_kpa),
            fuel_start_pct=round(self.fuel_pct, 1),
            fuel_end_pct=round(fuel_end, 1),
            lowest_v=round(running.lowest_v, 2),
        )
        hours = max(plan.engine_on_s, 1.0) / 3600
        self.show_driving(plan.engine_on_s * JUDGED_AT, plan.distance_km / hours)
        for ecu in self.ecus.values():
            ecu.end_cycle(CycleEnd(at_start, plan.distance_km, warm_up))
        self.odometer_km += plan.distance_km
        self.fuel_pct = fuel_end
        self.last_coolant_c, self.ended_at, self.running = peak, facts.ended_at, None
        self._show(peak, at_start.ambient_c, rpm=0.0, run_s=plan.engine_on_s, volts=RESTING_V)
        return facts

    def drive(self, start: datetime, plan: DriveFacts) -> DrivingCycleFacts:
        """One whole driving cycle from `start` (UTC)."""
        self.key_on(start, plan)
        return self.key_off()

    def show_driving(self, elapsed_s: float, speed_kmh: float) -> None:
        """Set the sensors `elapsed_s` after key on, for a bus that is read meanwhile."""
        if self.running is None:
            raise ValueError(f"{self.unit}: the key is not on")
        self._show(
            physics.warmed_c(self.running.coolant_start_c, elapsed_s, self._warm_c()),
            self.running.conditions.ambient_c,
            rpm=IDLE_RPM + 22.0 * speed_kmh,
            run_s=elapsed_s,
            volts=CHARGING_V,
        )
        self.live.speed_kmh = speed_kmh

    def break_part(self, code: str, ecu_id: str | None = None) -> None:
        """From now on the part behind `code` is faulty, in the first or the named controller.

        A J1939 vehicle takes SPN and FMI, "3251/2". Raises ValueError when the controller has no
        monitor that would find it.
        """
        if self.heavy is not None:
            self.heavy.fail(code)
            return
        ecu = self.ecus[ecu_id or next(iter(self.ecus))]
        fault = FAULTS[code]
        if fault.monitor not in {monitor.name for monitor in ecu.monitors}:
            raise ValueError(f"{self.unit}: no {fault.monitor} monitor would ever find {code}")
        ecu.faults[code] = fault

    def repair(self, code: str) -> None:
        """The part is good again; codes stay until the vehicle or a person clears them."""
        if self.heavy is not None:
            self.heavy.repair(code)
        for ecu in self.ecus.values():
            ecu.faults.pop(code, None)

    def clear_codes(self) -> None:
        """Somebody clears the codes of all controllers with a tool of their own."""
        for ecu in self.ecus.values():
            ecu.clear()

    def lamp_on(self) -> bool:
        """True when any controller commands the lamp."""
        if self.heavy is not None:
            return self.heavy.lamp_on()
        return any(ecu.memory.lamp_on() for ecu in self.ecus.values())

    def _warm_c(self) -> float:
        cold = any(STUCK_OPEN in ecu.faults for ecu in self.ecus.values())
        return physics.STUCK_OPEN_C if cold else physics.THERMOSTAT_C

    def _refuel(self, plan: DriveFacts) -> None:
        if plan.refuel_to_pct is not None:
            self.fuel_pct = max(self.fuel_pct, plan.refuel_to_pct)
        elif self.fuel_pct < LOW_FUEL_PCT:
            self.fuel_pct = self.rng.uniform(80.0, 97.0)

    def _show(
        self, coolant: float, ambient: float, *, rpm: float, run_s: float, volts: float
    ) -> None:
        live = self.live
        live.coolant_c, live.ambient_c, live.intake_c = coolant, ambient, ambient + 4.0
        live.rpm, live.run_s, live.module_v, live.speed_kmh = rpm, run_s, volts, 0.0
        live.baro_kpa = self.depot.climate.pressure_kpa
        live.fuel_pct, live.odometer_km = self.fuel_pct, self.odometer_km
