"""The invented fleet: its vehicles, and what each of them does on every day of the history.

Depots, units, plates and numbers are made up. Everything follows from (vehicles, days, seed,
end): the same four give the same bytes.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from operator import itemgetter

from fleet_demo import monitors
from fleet_demo.ecu import Calibration, Counters, Ecu
from fleet_demo.faults import COMPRESSION, SPARK
from fleet_demo.heavy import HeavyController
from fleet_demo.identity import build_vin
from fleet_demo.lamp import CodeMemory
from fleet_demo.physics import Climate
from fleet_demo.registration import program_of, state_of
from fleet_demo.routes import LONG_RUNS, MIXED, Habit, Trip, plan_cycle, plan_day
from fleet_demo.stories import LEAD_IN_DAYS, Step, Story, stories
from fleet_demo.truck import Depot, DriveFacts, DrivingCycleFacts, SimulatedVehicle

DEPOTS = (
    Depot("Harbor Yard", "America/New_York", Climate(12.5, 11.0, 4.0, 101)),
    Depot("Mill Street", "America/Chicago", Climate(10.5, 13.5, 4.5, 99)),
    Depot("North Ridge", "America/Denver", Climate(10.0, 12.0, 7.0, 84)),
)
FIRST_YEAR, LAST_YEAR = 2008, 2025
PERMANENT_FROM = 2010
"""Permanent codes came with model years 2010 to 2012 (from memory; 2010 B)."""
ODOMETER_FROM = 2019
"""PID A6 is required by California from this model year (C)."""
WIDE_ID = "18DAF110"
"""Response id of an engine controller on a bus with 29-bit ids (address 10 by custom; C)."""
OVERDUE_DAYS, LATEST_DUE_DAYS = 20, 120
WEIGHTS_LB = (6000, 7200, 8550, 9900, 11500, 14000)
HEAVY_LB = 33000
TWO_BANKS = "GHK"
"""Engine letters of our numbers that stand for an engine with two banks."""
ENGINE_AT = 7
"""Where the engine letter stands in a number."""
CYCLES_A_YEAR = 900


@dataclass(frozen=True, slots=True)
class KeyOn:
    """A vehicle's key was turned on at `at` (UTC); its controllers answer for that moment."""

    vehicle: SimulatedVehicle
    at: datetime


@dataclass(frozen=True, slots=True)
class KeyOff:
    """A driving cycle ended at `at` (UTC); its controllers answer for that moment."""

    vehicle: SimulatedVehicle
    at: datetime
    cycle: DrivingCycleFacts


@dataclass(frozen=True, slots=True)
class Scripted:
    """One vehicle with its story and habit."""

    vehicle: SimulatedVehicle
    story: Story
    habit: Habit
    due: date


@dataclass(slots=True)
class Fleet:
    """The fleet, and how far its history has been driven.

    The history is the `days` days before `end`, so that no reading lies after a present moment
    on `end` by the depots' clocks. `next_live_fault_vehicle` is the unit that stores a pending
    code on the last day: its next driving cycle turns the lamp on.
    """

    members: list[Scripted]
    seed: int
    first: date
    end: date
    next_live_fault_vehicle: str
    next_day: date
    by_unit: dict[str, SimulatedVehicle] = field(init=False)

    def __post_init__(self) -> None:
        """Index by unit."""
        self.by_unit = {member.vehicle.unit: member.vehicle for member in self.members}

    @property
    def vehicles(self) -> list[SimulatedVehicle]:
        """All vehicles, by unit."""
        return [member.vehicle for member in self.members]

    def days(self) -> list[date]:
        """The days of the history, first to last; `end` itself is not one of them."""
        return [self.first + timedelta(days=n) for n in range((self.end - self.first).days)]

    def silent_units(self) -> list[str]:
        """Units whose gateway has gone silent by the end."""
        return [m.vehicle.unit for m in self.members if m.story.silent_from is not None]

    def live_plan(self, unit: str) -> DriveFacts:
        """Plan a driving cycle for the live phase, long enough for the monitors to judge it."""
        return plan_cycle(MIXED, random.Random(f"{self.seed}/{unit}/live"))


def build_fleet(vehicles: int = 60, days: int = 42, seed: int = 1, *, end: date) -> Fleet:
    """Build the fleet as it stands on the morning of `end - days`, the first day of its history.

    Raises ValueError for less than one vehicle or one day.
    """
    if vehicles < 1 or days < 1:
        raise ValueError(f"{vehicles} vehicles, {days} days: expected at least 1 of each")
    rng = random.Random(f"{seed}/{end.isoformat()}")
    told = stories(vehicles, days)
    rng.shuffle(told)
    span = LATEST_DUE_DAYS + OVERDUE_DAYS
    dues = [n * span // max(1, vehicles - 1) - OVERDUE_DAYS for n in range(vehicles)]
    rng.shuffle(dues)
    members = []
    for number, (story, due) in enumerate(zip(told, dues, strict=True), start=1):
        # The lamp of the live phase should matter: that vehicle is never overdue.
        due_date = end + timedelta(days=abs(due) if story.next_live else due)
        members.append(_member(number, story, due_date, random.Random(f"{rng.random()}")))
    next_live = next(m.vehicle.unit for m in members if m.story.next_live)
    first = end - timedelta(days=days)
    lead_in = first - timedelta(days=LEAD_IN_DAYS)
    fleet = Fleet(members, seed, first, end, next_live, next_day=lead_in)
    while fleet.next_day < first:
        for _ in _drive_day(fleet):
            pass
    return fleet


def iter_day(fleet: Fleet, day: date) -> Iterator[KeyOn | KeyOff]:
    """Drive one day of the history and yield its moments, in time order over all vehicles.

    Days come in order, each once, and each must be read to its end; anything else is a
    ValueError. Vehicles whose gateway is silent drive on, but yield nothing.
    """
    if day != fleet.next_day or not fleet.first <= day < fleet.end:
        raise ValueError(f"{day}: expected {fleet.next_day}, before {fleet.end}")
    return _drive_day(fleet)


def vehicle_list_rows(fleet: Fleet) -> list[dict[str, str]]:
    """The vehicle list as text rows, one a vehicle; gateways fitted the day before the history."""
    rows = []
    for place, member in enumerate(fleet.members):
        vehicle = member.vehicle
        # The lamp of the live phase should fail whichever its model year: no exemption for age.
        turn = place // len(DEPOTS)
        program = program_of(vehicle, turn, federal=member.story.next_live)
        rows.append(
            {
                "unit": vehicle.unit,
                "vin": vehicle.vin,
                "plate": vehicle.plate,
                "depot": vehicle.depot.name,
                "depot_tz": vehicle.depot.zone,
                "program": program,
                "model_year": str(vehicle.model_year),
                "ignition": vehicle.ignition,
                "gvwr_lb": str(vehicle.gvwr_lb),
                "gateway": vehicle.gateway,
                "fitted_from": (fleet.first - timedelta(days=1)).isoformat(),
                "due_date": member.due.isoformat(),
                "fuel": "diesel" if vehicle.ignition == COMPRESSION else "gasoline",
                "registration_state": state_of(vehicle, program),
            }
        )
    return rows


# ------------------------------------------------------------------------------------ one day


def _drive_day(fleet: Fleet) -> Iterator[KeyOn | KeyOff]:
    day = fleet.next_day
    moments: list[tuple[datetime, int, int, Scripted, Trip | None, list[Step]]] = []
    for place, member in enumerate(fleet.members):
        moments += _moments(fleet, member, place, day)
    moments.sort(key=itemgetter(0, 1, 2))
    for at, _, _, member, trip, steps in moments:
        vehicle = member.vehicle
        told = _heard(fleet, member, day)
        if trip is not None:
            for step in steps:
                _apply(step, vehicle)
            vehicle.key_on(at, trip.plan)
            if told:
                yield KeyOn(vehicle, at)
        else:
            cycle = vehicle.key_off()
            if told:
                yield KeyOff(vehicle, at, cycle)
    fleet.next_day = day + timedelta(days=1)


def _moments(
    fleet: Fleet, member: Scripted, place: int, day: date
) -> list[tuple[datetime, int, int, Scripted, Trip | None, list[Step]]]:
    unit = member.vehicle.unit
    rng = random.Random(f"{fleet.seed}/{unit}/{day.isoformat()}")
    zone = member.vehicle.depot.zone
    offset = (day - fleet.first).days
    steps = [step for step in member.story.steps if step.day == offset]
    # A day on which something happens is a working day: steps wait for no Monday.
    weekends = member.story.weekends or bool(steps)
    trips = plan_day(member.habit, day, zone, rng, weekends=weekends)
    found: list[tuple[datetime, int, int, Scripted, Trip | None, list[Step]]] = []
    for number, trip in enumerate(trips):
        last = number == len(trips) - 1
        due = [s for s in steps if (last if s.before_last else number == 0)]
        found.append((trip.start, place, 2 * number, member, trip, due))
        found.append((trip.end, place, 2 * number + 1, member, None, []))
    return found


def _heard(fleet: Fleet, member: Scripted, day: date) -> bool:
    silent = member.story.silent_from
    return silent is None or (day - fleet.first).days < silent


def _apply(step: Step, vehicle: SimulatedVehicle) -> None:
    if step.act == "clear":
        vehicle.clear_codes()
    elif step.act == "repair":
        vehicle.repair(step.code)
    else:
        controllers: list[str | None] = [*vehicle.ecus] or [None]
        vehicle.break_part(step.code, controllers[-1 if step.second_controller else 0])


# ----------------------------------------------------------------------------- building vehicles


def _member(number: int, story: Story, due: date, rng: random.Random) -> Scripted:
    ignition = story.ignition or (COMPRESSION if rng.random() < 0.35 else SPARK)
    year = rng.randint(FIRST_YEAR, LAST_YEAR)
    vin = build_vin(
        year, rng.choice("ABDEK"), rng.choice("CDEGHK"), rng.choice("BHMR"), 100000 + 37 * number
    )
    habit = story.habit or (LONG_RUNS if rng.random() < 0.25 else MIXED)
    odometer = round((LAST_YEAR + 1 - year) * rng.uniform(14000, 26000) + 4000, 1)
    vehicle = SimulatedVehicle(
        unit=f"{100 + number}",
        vin=vin,
        plate=f"FD {2000 + 13 * number}",
        depot=DEPOTS[number % len(DEPOTS)],
        ignition=ignition,
        model_year=year,
        gvwr_lb=HEAVY_LB if story.heavy else rng.choice(WEIGHTS_LB),
        gateway=f"gw-{number:04d}",
        odometer_km=odometer,
        fuel_pct=round(rng.uniform(35, 80), 1),
        ecus=_controllers(vin, ignition, year, rng, story),
        rng=rng,
        thirst=rng.uniform(0.12, 0.2),
        heavy=HeavyController() if story.heavy else None,
    )
    return Scripted(vehicle, story, habit, due)


def _controllers(
    vin: str, ignition: str, year: int, rng: random.Random, story: Story
) -> dict[str, Ecu]:
    """The controllers as they stand long after the last clear: all complete, counters high."""
    if story.heavy:
        return {}
    fitted = monitors.COMPRESSION if ignition == COMPRESSION else monitors.SPARK
    if ignition == SPARK and year < PERMANENT_FROM:
        fitted = monitors.SPARK_WITH_SECONDARY_AIR
    first = WIDE_ID if story.wide_ids else "7E8"
    ecus = {first: _controller(vin, ignition, year, rng, fitted, engine=True)}
    if story.second_controller:
        ecus["7E9"] = _controller(vin, SPARK, year, rng, monitors.TRANSMISSION, engine=False)
    ecus[first].busy = story.busy
    return ecus


def _controller(
    vin: str,
    ignition: str,
    year: int,
    rng: random.Random,
    fitted: tuple[monitors.Monitor, ...],
    *,
    engine: bool,
) -> Ecu:
    part = "E" if engine else "T"
    calibration = Calibration(
        f"FD{part}{year}{rng.randint(1000, 9999)}A", rng.getrandbits(32).to_bytes(4, "big")
    )
    distance = rng.uniform(3000, 45000)
    ecu = Ecu(
        vin=vin,
        ignition=ignition,
        monitors=fitted,
        calibrations=(calibration,),
        rng=rng,
        engine=engine,
        tells_odometer=engine and year >= ODOMETER_FROM,
        banks=2 if ignition == SPARK and vin[ENGINE_AT] in TWO_BANKS else 1,
        late=year >= PERMANENT_FROM,
        memory=CodeMemory(keeps_permanent=year >= PERMANENT_FROM),
        counters=Counters(
            warm_ups=rng.randint(80, 255), distance_km=distance, minutes=distance * 1.6
        ),
        complete={monitor.name for monitor in fitted},
    )
    if ecu.in_use is not None:
        # Dice of their own, so that a counter more or less changes no other vehicle's days.
        dice = random.Random(f"{vin}/in-use")
        years = LAST_YEAR + 1 - year
        ecu.in_use.age(int(CYCLES_A_YEAR * years * dice.uniform(0.7, 1.3)), dice.uniform(0.4, 0.7))
    return ecu
