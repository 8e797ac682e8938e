"""Writes the fleet's past at a fast clock through decode, contract, MQTT and ingest."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta

from fleet_demo.clock import DemoClock
from fleet_demo.scenarios import Fleet, KeyOff, KeyOn, iter_day
from fleet_demo.yard import DemoGateway, ask_directly, broadcast_now
from gateway.contract import Reason
from gateway.protocol.session import Depth
from ingest.service import Service

STORED_WITHIN_S = 60.0
FULL_ON = 2
"""The weekday (Wednesday) of the full readings."""
Progress = Callable[[int, int], None]


class NotStored(ConnectionError):
    """Reports were published and ingest did not receipt them in time."""


def write_past(
    fleet: Fleet,
    gateways: dict[str, DemoGateway],
    clock: DemoClock,
    service: Service,
    progress: Progress,
) -> int:
    """Drive every day of the history; return how many reports were published.

    Each day: drive, publish, wait until all is stored, then the sweep, the lessons and the
    notices that the service's own jobs would run, at that day's clock.
    """
    days, total = fleet.days(), 0
    silent = set(fleet.silent_units())
    for number, day in enumerate(days, start=1):
        heard: set[str] = set()
        last = clock.now()
        for moment in iter_day(fleet, day):
            unit = moment.vehicle.unit
            gateway = gateways[unit]
            heard.add(unit)
            last = max(last, moment.at)
            _read(gateway, moment)
        clock.set(max(last + timedelta(minutes=1), clock.now()))
        total += sum(gateway.store() for gateway in gateways.values())
        deliver(list(gateways.values()))
        for unit in silent - heard:
            if gateways[unit].readings and gateways[unit].publisher.connected:
                # It announced a sleep, and never woke: that is how a gateway goes silent.
                gateways[unit].publisher.stop(wake_by=clock.now() + timedelta(hours=14))
        service.sweep()
        service.learn()
        service.send_notices(past=True)
        progress(number, len(days))
    return total


def _read(gateway: DemoGateway, moment: KeyOn | KeyOff) -> None:
    """One reading of the past; once a week all that the standard offers, at key off."""
    vehicle = moment.vehicle
    if vehicle.protocol == "j1939":
        reason: Reason = "key_on" if isinstance(moment, KeyOn) else "key_off"
        gateway.overhear(broadcast_now(vehicle), reason, moment.at)
    elif isinstance(moment, KeyOn):
        gateway.read(ask_directly(vehicle), "key_on", moment.at)
    else:
        full = moment.at.weekday() == FULL_ON
        depth: Depth = "full" if full else "usual"
        gateway.read(ask_directly(vehicle), "key_off", moment.at, moment.cycle, depth)


def deliver(gateways: Sequence[DemoGateway]) -> None:
    """Drive the publishers until ingest has receipted every report, or raise `NotStored`."""
    deadline = time.monotonic() + STORED_WITHIN_S
    waiting = [one for one in gateways if one.outbox.pending()]
    idle = [one for one in gateways if one not in waiting and one.publisher.connected]
    for one in idle:
        one.publisher.loop()  # keeps the connection alive
    while waiting:
        for one in waiting:
            one.publisher.loop()
        waiting = [one for one in waiting if one.outbox.pending()]
        if time.monotonic() > deadline:
            left = sum(one.outbox.pending() for one in waiting)
            raise NotStored(f"{left} reports without a receipt after {STORED_WITHIN_S:.0f} s")
        time.sleep(0.001)


def start_of(fleet: Fleet) -> datetime:
    """The moment the demo's clock begins at: midnight UTC of the first day."""
    return datetime(fleet.first.year, fleet.first.month, fleet.first.day, tzinfo=UTC)
