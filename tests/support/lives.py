"""Rich lives of a few vehicles, drawn from a seed, in the order in which they were lived.

Two vehicles and two gateways: gateway 1 moves from vehicle A to vehicle B and gateway 2 takes its
place. Lamps, codes, clears, several ECUs, driving cycles, split readings, lost and declared
sequence numbers, new journals, restarts, and clocks that are unset, step, or are ten years wrong.
"""

from __future__ import annotations

import random
import uuid
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any

from msgspec import UNSET

from gateway import contract
from gateway.contract import EcuReading, Report
from gateway.facts import Ignition, Monitor
from ingest.domain.vehicles import Vehicle
from tests.support.reports import START, vehicle, vin

SWAP = START + timedelta(days=25)
"""When gateway 2 takes the place of gateway 1, which goes into vehicle B five days later."""
MOVED = SWAP + timedelta(days=5)
YEARS = timedelta(days=3653)
REPEATED = ("reason", "vin")
"""What every part of a split reading says again."""
ECUS = ("7E8", "7E9", "18DAF110")
CODES = ("P0420", "P0301", "P0442", "P0128", "P0700", "U0100")
MONITORS = (
    Monitor.MISFIRE,
    Monitor.FUEL_SYSTEM,
    Monitor.CATALYST,
    Monitor.EVAPORATIVE_SYSTEM,
    Monitor.EXHAUST_GAS_SENSOR,
)


@dataclass(frozen=True, slots=True)
class Sent:
    """A message with the true moment at which it was sent."""

    at: datetime
    message: Report | contract.Presence


@dataclass
class _Ecu:
    """What one controller really holds."""

    monitors: dict[Monitor, bool]
    mil: bool = False
    confirmed: list[str] = field(default_factory=list)
    pending: list[str] = field(default_factory=list)
    permanent: list[str] = field(default_factory=list)
    starts: int = 0
    software: int = 1

    def clear(self) -> None:
        """Codes erased: monitors fall back, permanent codes stay."""
        self.monitors = dict.fromkeys(self.monitors, False)
        self.mil, self.confirmed, self.pending = False, [], []


@dataclass
class _Car:
    """A vehicle as it really is."""

    number: int
    ecus: dict[str, _Ecu]
    odometer: float
    cleared_at: float
    warm_ups: int = 20
    minutes: int = 900

    def clear(self) -> None:
        """Every controller is cleared, and the counters start again."""
        for ecu in self.ecus.values():
            ecu.clear()
        self.cleared_at, self.warm_ups, self.minutes = self.odometer, 0, 0


class _Gateway:
    """A gateway with a journal, restarts, and a clock that may be anything."""

    def __init__(self, name: str, dice: random.Random, now: datetime) -> None:
        self.name = name
        self._dice = dice
        self.connection_no = self.boot_no = 0
        self.clock = "synced"
        self.error = timedelta(0)
        self.lost = self.dropped = list[int]()
        self.new_journal(now)

    def new_journal(self, now: datetime) -> None:
        """A new outbox file: the sequence starts again."""
        self.journal = str(uuid.UUID(int=self._dice.getrandbits(128), version=4))
        self.created = contract.format_time(now)
        self.seq = self.oldest_kept = 0
        self.lost, self.dropped = [], []
        self.boot(now)

    def boot(self, now: datetime) -> None:
        """A restart; the clock is often not there yet."""
        self.boot_no += 1
        self.booted = now
        self.clock = self._dice.choice(("unset", "held", "synced", "synced"))

    def live(self, now: datetime) -> None:
        """What happens to a gateway between two readings."""
        roll = self._dice.random()
        if roll < 0.01:
            self.new_journal(now)
        elif roll < 0.05:
            self.boot(now)
        elif roll < 0.09:
            self.error = self._dice.choice(
                (YEARS, -YEARS, timedelta(minutes=self._dice.randint(-90, 90)))
            )
        elif roll < 0.25:
            self.clock, self.error = "synced", timedelta(0)
        elif roll < 0.28:
            self.clock = "held"

    def head(self, now: datetime) -> dict[str, Any]:
        """The fields of a report that the gateway itself knows."""
        self.seq += 1
        taken = None if self.clock == "unset" else contract.format_time(now + self.error)
        values: dict[str, Any] = {
            "schema": "report/1",
            "gateway": self.name,
            "journal": self.journal,
            "journal_created_at": self.created,
            "seq": self.seq,
            "boot_no": self.boot_no,
            "taken_at": taken,
            "clock": self.clock,
            "uptime_ms": (now - self.booted) // timedelta(milliseconds=1),
        }
        if self.dropped and self._dice.random() < 0.7:
            values["dropped"] = [[seq, seq] for seq in self.dropped]
            self.dropped = []
        return values

    def presence(self, now: datetime) -> contract.Presence:
        """What it says of itself; what it declared nothing of below `oldest_kept` is lost."""
        self.connection_no += 1
        self.oldest_kept = max(self.oldest_kept, *self.lost, 0)
        return contract.Presence(
            schema="presence/1",
            gateway=self.name,
            state="online" if self._dice.random() < 0.5 else "offline",
            journal=self.journal,
            boot_no=self.boot_no,
            connection_no=self.connection_no,
            oldest_kept=self.oldest_kept + 1,
            at=contract.format_time(now),
        )


def list_before(number: int) -> list[Vehicle]:
    """The vehicle list of life `number` while gateway 1 sits in vehicle A."""
    a, b, first, _ = _names(number)
    mine = {"gateway": first, "fitted_from": date(2026, 9, 1)}
    return [vehicle(a, **mine), vehicle(b, gateway="", fitted_from=None)]


def list_after(number: int) -> list[Vehicle]:
    """The same after the swap: gateway 2 in vehicle A, gateway 1 in vehicle B."""
    a, b, first, second = _names(number)
    return [
        vehicle(a, gateway=second, fitted_from=SWAP.date()),
        vehicle(b, gateway=first, fitted_from=MOVED.date()),
    ]


def _names(number: int) -> tuple[int, int, str, str]:
    return 2 * number + 1, 2 * number + 2, f"gw-{number:05d}-a", f"gw-{number:05d}-b"


def life(number: int, length: int) -> list[Sent]:
    """Life `number`, about `length` reports long, in the order in which it was lived."""
    return _Author(number).write(length)


class _Author:
    """Writes one life."""

    def __init__(self, number: int) -> None:
        self._dice = dice = random.Random(f"life {number}")
        a, b, first, second = _names(number)
        self._cars = {one: self._new_car(one) for one in (a, b)}
        self._a, self._b = self._cars.values()
        self._first = _Gateway(first, dice, START)
        self._second = _Gateway(second, dice, START - timedelta(days=1))
        self._sent: list[Sent] = []

    def _new_car(self, number: int) -> _Car:
        count = self._dice.choice((1, 1, 2, 3))
        ecus = {
            name: _Ecu({one: self._dice.random() < 0.8 for one in self._dice.sample(MONITORS, 4)})
            for name in self._dice.sample(ECUS, count)
        }
        return _Car(number, ecus, odometer := self._dice.uniform(1000, 90_000), odometer - 500)

    def write(self, length: int) -> list[Sent]:
        """The whole life."""
        now = START
        while len(self._sent) < length:
            now += timedelta(minutes=self._dice.choice((7, 30, 240, 900, 1440)))
            pairs = [(self._first, self._a)] if now < SWAP else [(self._second, self._a)]
            if now >= MOVED:
                pairs.append((self._first, self._b))
            for gateway, car in pairs:
                gateway.live(now)
                self._happen(car)
                self._read(gateway, car, now)
                if self._dice.random() < 0.08:
                    self._sent.append(Sent(now, gateway.presence(now)))
        return self._sent

    def _happen(self, car: _Car) -> None:
        """What becomes of a vehicle between two readings."""
        dice = self._dice
        driven = dice.choice((0, 0, 3, 25, 120))
        car.odometer += driven
        car.minutes += driven
        car.warm_ups = min(255, car.warm_ups + (driven > 20))
        ecu = dice.choice(list(car.ecus.values()))
        ecu.starts += 1
        roll = dice.random()
        if roll < 0.06:
            car.clear()
        elif roll < 0.16:
            code = dice.choice(CODES)
            ecu.pending = sorted({*ecu.pending, code})
        elif roll < 0.26 and ecu.pending:
            ecu.confirmed = sorted({*ecu.confirmed, *ecu.pending})
            ecu.mil = True
        elif roll < 0.32:
            ecu.permanent, ecu.mil = list(ecu.confirmed), False
        elif roll < 0.36:
            ecu.confirmed = ecu.confirmed[1:]
        elif roll < 0.38:
            ecu.software += 1
        elif roll < 0.60:
            ecu.monitors[dice.choice(list(ecu.monitors))] = True

    def _read(self, gateway: _Gateway, car: _Car, now: datetime) -> None:
        """One reading, whole or in parts; some of it never arrives."""
        dice = self._dice
        said = self._vehicle_wide(car, now)
        answered = [one for one in car.ecus if dice.random() < 0.9]
        readings = {one: self._ecu(car.ecus[one]) for one in answered}
        if len(readings) > 1 and dice.random() < 0.3:
            parts = list(readings)
            for place, one in enumerate(parts, 1):
                more = said if place == 1 else {name: said.get(name, UNSET) for name in REPEATED}
                part = {**more, "part": [place, len(parts)], "ecus": {one: readings[one]}}
                self._send(gateway, now, part)
        else:
            self._send(gateway, now, {**said, "ecus": readings})

    def _send(self, gateway: _Gateway, now: datetime, said: dict[str, Any]) -> None:
        message = Report(**gateway.head(now), **said)
        roll = self._dice.random()
        if message.dropped is UNSET and roll < 0.04:
            (gateway.lost if roll < 0.01 else gateway.dropped).append(message.seq)
            return
        self._sent.append(Sent(now, message))

    def _vehicle_wide(self, car: _Car, now: datetime) -> dict[str, Any]:
        dice = self._dice
        said: dict[str, Any] = {"reason": dice.choice(("key_on", "periodic", "change", "full"))}
        roll = dice.random()
        if roll < 0.05:
            said["vin"] = vin(900_000 + car.number)  # a module from another vehicle answers
        elif roll < 0.7:
            said["vin"] = vin(car.number)
        if dice.random() < 0.8:
            said |= {
                "odometer_km": round(car.odometer, 1),
                "distance_since_clear_km": round(car.odometer - car.cleared_at, 1),
                "warm_ups_since_clear": car.warm_ups,
                "minutes_since_clear_min": car.minutes,
            }
        if dice.random() < 0.04:
            said["quiet"] = dice.choice(("another_tester", "low_voltage", "shop"))
        if dice.random() < 0.1:
            said["live"] = {"engine_speed_rpm": float(dice.randint(0, 4000))}
        if dice.random() < 0.25:
            begun = contract.format_time(now - timedelta(minutes=dice.randint(5, 90)))
            said["reason"] = "key_off"
            said["driving_cycle"] = contract.DrivingCycle(
                started_at=begun,
                ended_at=contract.format_time(now),
                propulsion_on_s=600.0,
                engine_on_s=580.0,
                distance_km=float(dice.randint(0, 40)),
                warm_up=dice.random() < 0.5,
            )
        return said

    def _ecu(self, ecu: _Ecu) -> EcuReading:
        """What a controller answers this time: any list may be left unanswered."""
        dice = self._dice
        values: dict[str, Any] = {"mil": ecu.mil, "ignition": Ignition.SPARK}
        if dice.random() < 0.9:
            values["monitors"] = dict(ecu.monitors)
        for name in ("confirmed", "pending", "permanent"):
            if dice.random() < 0.85:
                values[name] = list(getattr(ecu, name))
        if dice.random() < 0.2:
            values["in_use_counters"] = {"ignition_cycles": ecu.starts}
        if dice.random() < 0.2:
            values["calibrations"] = [contract.Calibration(id=f"CAL{ecu.software:04d}")]
        if dice.random() < 0.1:
            values["test_results"] = [
                contract.MonitorResult(
                    monitor_id=1, test_id=dice.randint(1, 3), scaling_id=10,
                    value=dice.uniform(0, 1), low=0.0, high=1.0, passed=True,
                )
            ]  # fmt: skip
        if ecu.confirmed and dice.random() < 0.2:
            values["freeze_frames"] = [
                contract.FreezeFrame(frame=0, code=ecu.confirmed[0], values={"coolant_c": 80.0})
            ]
        return EcuReading(**values)
