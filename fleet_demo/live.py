"""The live phase: vehicles on the road are read over a CAN bus while their ignition is on."""

from __future__ import annotations

import random
import time
from contextlib import ExitStack
from dataclasses import dataclass, field
from datetime import timedelta
from functools import partial

from fleet_demo.bus import Listener, VehicleBus
from fleet_demo.clock import DemoClock
from fleet_demo.scenarios import Fleet
from fleet_demo.truck import DrivingCycleFacts
from fleet_demo.yard import DemoGateway
from gateway.bus_port import LampNews
from gateway.contract import Reason
from gateway.link import CanLink

AT_ONCE = 8
"""Vehicles with a bus at the same time; each costs threads."""
FIRST_LAMP_S = 40.0
"""Seconds after the start at which the vehicle one bad cycle short of its lamp parks."""
ON_ROAD_S = (12.0, 40.0)
BETWEEN_S = 6.0
TURN_S = 0.25
LISTEN_S = 1.5
"""A J1939 vehicle says everything once a second."""
QUIET_S = 0.06
"""Wait for answers: a controller begins within 50 ms (ISO 15765-4, P2, from memory)."""


@dataclass(slots=True)
class _OnRoad:
    gateway: DemoGateway
    stack: ExitStack
    link: CanLink
    since: float
    parks_at: float
    reported: bool = False
    lamps: LampNews = field(default_factory=LampNews)
    begun_s: float = 0.0

    def driving(self, now: float) -> tuple[float, float]:
        """Seconds since the key was turned, and the speed in km/h: never quite the same."""
        elapsed = self.begun_s + now - self.since
        return elapsed, 48.0 + 6.0 * (elapsed % 3)


class LivePhase:
    """Sends vehicles out and reads them; call `turn()` often from one thread."""

    def __init__(
        self, fleet: Fleet, gateways: dict[str, DemoGateway], clock: DemoClock, seed: int
    ) -> None:
        self.listener = Listener()
        self.reports = 0
        self.read_units: set[str] = set()
        self._fleet, self._gateways, self._clock = fleet, gateways, clock
        self._rng = random.Random(f"{seed}/live-phase")
        self._begun = time.monotonic()
        self._next_out = self._begun
        self._road: list[_OnRoad] = []
        self._queue = self._order()

    def _order(self) -> list[str]:
        """First the vehicle whose lamp is to come on, then the unusual ones."""
        silent = set(self._fleet.silent_units())
        units = [unit for unit in self._gateways if unit not in silent]
        self._rng.shuffle(units)
        units.sort(key=lambda unit: len(self._gateways[unit].vehicle.ecus) == 1)
        first = self._fleet.next_live_fault_vehicle
        return [first, *[unit for unit in units if unit != first]]

    def turn(self) -> None:
        """One look: park who is due, send out who is next, keep the connections."""
        now = time.monotonic()
        for one in [one for one in self._road if now >= one.parks_at]:
            self._park(one)
        if self._queue and len(self._road) < AT_ONCE and now >= self._next_out:
            self._depart(self._queue.pop(0), now)
            self._next_out = now + self._rng.uniform(0.3, 1.0) * self._gap()
        for one in self._road:
            one.gateway.vehicle.show_driving(*one.driving(now))
            if not one.reported and now - one.since > 2:
                self._read(one, now)
        for gateway in self._gateways.values():
            if gateway.outbox.pending() or gateway.publisher.connected:
                gateway.publisher.loop()

    def _gap(self) -> float:
        """At first a vehicle every few seconds, so that something is seen; later seldom."""
        return BETWEEN_S if time.monotonic() - self._begun < 60 else 8 * BETWEEN_S

    def run(self, seconds: float | None) -> None:
        """Take turns until `seconds` have passed (None: until a person stops the demo)."""
        while seconds is None or time.monotonic() - self._begun < seconds:
            self.turn()
            time.sleep(TURN_S)

    def close(self) -> None:
        """Bring everybody home; the last readings go out with the caller's delivery."""
        for one in list(self._road):
            self._park(one)

    def _depart(self, unit: str, now: float) -> None:
        """Pick a vehicle up on the road: its cycle began so that it ends when it parks."""
        gateway = self._gateways[unit]
        vehicle = gateway.vehicle
        plan = self._fleet.live_plan(unit)
        first = unit == self._fleet.next_live_fault_vehicle and not self.reports
        stay = FIRST_LAMP_S if first else self._rng.uniform(*ON_ROAD_S)
        start = self._clock.now() + timedelta(seconds=stay - plan.propulsion_on_s)
        if vehicle.ended_at is not None and start <= vehicle.ended_at:
            self._queue.append(unit)  # it has only just come home
            return
        vehicle.key_on(start, plan)
        vehicle.show_driving(max(1.0, plan.propulsion_on_s - stay), 52.0)
        stack = ExitStack()
        bus = stack.enter_context(VehicleBus(vehicle))
        stack.enter_context(self.listener.on(unit, bus.channel))
        link = CanLink(bus.tester(), bits29=bus.bits29)
        stack.callback(link.close)
        gateway.identify()
        begun = max(1.0, plan.propulsion_on_s - stay)
        self._road.append(_OnRoad(gateway, stack, link, now, now + stay, begun_s=begun))

    def _read(self, one: _OnRoad, now: float) -> None:
        one.reported = True
        self._report(one, "periodic")

    def _report(self, one: _OnRoad, reason: Reason, cycle: DrivingCycleFacts | None = None) -> None:
        """Read over the bus; a J1939 vehicle is only listened to."""
        at = self._clock.now()
        if one.gateway.vehicle.protocol == "j1939":
            one.link.hear_out(LISTEN_S)
            one.lamps.hear(one.link.take_broadcasts())
            one.gateway.overhear(one.lamps.news(), reason, at)
        else:
            ask = partial(one.link.ask, timeout_s=QUIET_S)
            one.gateway.read(ask, reason, at, cycle, "usual" if cycle is None else "full")
            self.read_units.add(one.gateway.vehicle.unit)
        self.reports += one.gateway.store()

    def _park(self, one: _OnRoad) -> None:
        cycle = one.gateway.vehicle.key_off()
        self._report(one, "key_off", cycle)
        one.stack.close()
        self._road.remove(one)
        self._queue.append(one.gateway.vehicle.unit)
