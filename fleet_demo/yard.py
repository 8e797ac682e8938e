"""The gateways of the simulated fleet: real outboxes and publishers, driven by one loop."""

from __future__ import annotations

import uuid
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, time, timedelta
from pathlib import Path

from msgspec import UNSET

from fleet_demo.clock import DemoClock
from fleet_demo.scenarios import Fleet
from fleet_demo.truck import DrivingCycleFacts, SimulatedVehicle
from gateway import contract
from gateway.driving_cycle import completed
from gateway.facts import Monitor
from gateway.outbox import Outbox
from gateway.protocol.broadcast import LampListener
from gateway.protocol.plausibility import implausible
from gateway.protocol.session import Depth, ReadResult, read_vehicle
from gateway.publisher import Publisher
from gateway.sampling import Extras, Moment, NoReading, Reading, Sender, build_reports
from ingest.config import BrokerAddress

Ask = Callable[[bytes], dict[str, bytes]]
PROTOCOL = "ISO 15765-4, 500 kbit/s"
J1939 = "SAE J1939, 250 kbit/s"
_NAMES = uuid.UUID("5b0f6c52-0a53-4b5e-9d0e-6a2f8f4f7c11")


def ask_directly(vehicle: SimulatedVehicle) -> Ask:
    """Ask the controllers in bytes without CAN framing, as the past is written."""

    def ask(request: bytes) -> dict[str, bytes]:
        answers = {name: ecu.answer(request) for name, ecu in vehicle.ecus.items()}
        return {name: answer for name, answer in answers.items() if answer is not None}

    return ask


class DemoGateway:
    """One gateway: reads its vehicle and keeps what it read until ingest has it."""

    def __init__(
        self,
        vehicle: SimulatedVehicle,
        fleet: Fleet,
        folder: Path,
        broker: BrokerAddress,
        clock: DemoClock,
    ) -> None:
        self.vehicle, self._clock = vehicle, clock
        self._made = datetime.combine(fleet.first - timedelta(days=1), time(), UTC)
        key = f"{fleet.seed}/{fleet.end.isoformat()}/{vehicle.gateway}"
        self.outbox = Outbox(
            folder / f"{vehicle.gateway}.sqlite3",
            clock.now,
            journal=str(uuid.uuid5(_NAMES, key)),
            created_at=self._made,
        )
        self.publisher = Publisher(
            self.outbox,
            vehicle.gateway,
            broker.host,
            broker.port,
            user=broker.user,
            password=broker.password,
            now=clock.now,
        )
        self._sender = Sender(
            vehicle.gateway,
            self.outbox.journal,
            self.outbox.journal_created_at,
            self.outbox.boot_no,
        )
        self._static: ReadResult | None = None
        self._at_start: ReadResult | None = None
        self._kept: list[Callable[[int, Sequence[Sequence[int]]], list[contract.Report]]] = []
        self.readings = 0

    def read(
        self,
        ask: Ask,
        reason: contract.Reason,
        at: datetime,
        cycle: DrivingCycleFacts | None = None,
        depth: Depth = "usual",
    ) -> None:
        """Take one reading now; `store()` puts it into the outbox."""
        result = read_vehicle(ask, static=self._static, depth=depth)
        self._static = self._static or result
        values: dict[str, float] = {**result.values, **result.live}
        extras = Extras(
            driving_cycle=None if cycle is None else self._on_wire(cycle, result),
            protocol=PROTOCOL,
            heard="answers" if result.ecus else "nothing",
            implausible=implausible(values, soak_s=None if cycle is None else cycle.soak_s),
        )
        if reason == "key_on":
            self._at_start = result
        self._keep(result, reason, at, extras)

    def overhear(
        self, lamps: Sequence[contract.LampBroadcast], reason: contract.Reason, at: datetime
    ) -> None:
        """Keep what a J1939 vehicle broadcast; nothing was asked."""
        extras = Extras(protocol=J1939, heard="j1939", lamp_broadcasts=lamps)
        self._keep(NoReading(), reason, at, extras)

    def _keep(self, result: Reading, reason: contract.Reason, at: datetime, extras: Extras) -> None:
        uptime = int((at - self._made).total_seconds() * 1000)
        moment = Moment(at, "synced", uptime)

        def build(seq: int, dropped: Sequence[Sequence[int]]) -> list[contract.Report]:
            return build_reports(self._sender, result, reason, moment, seq, dropped, extras)

        self._kept.append(build)
        self.readings += 1

    def _on_wire(self, cycle: DrivingCycleFacts, end: ReadResult) -> contract.DrivingCycle:
        start, self._at_start = self._at_start, None
        done = None if start is None else completed(start.ecus, end.ecus)
        return on_wire(cycle, done)

    def identify(self) -> None:
        """Ask for VIN and calibrations again at the next reading."""
        self._static = None

    def store(self) -> int:
        """Put the kept readings into the outbox in one transaction; return how many reports."""
        kept, self._kept = self._kept, []
        return len(self.outbox.append_many(kept)) if kept else 0

    def close(self) -> None:
        """Leave the broker in good order; the vehicle sleeps until tomorrow."""
        self.publisher.stop(wake_by=self._clock.now() + timedelta(hours=14))
        self.outbox.close()


def broadcast_now(vehicle: SimulatedVehicle) -> list[contract.LampBroadcast]:
    """What a listener would hear of a J1939 vehicle within one second, without a bus."""
    listener = LampListener()
    if vehicle.heavy is not None:
        for frame in vehicle.heavy.beat(vehicle.live):
            listener.feed(frame.can_id, frame.data, frame.after_s)
    return list(listener.latest.values())


def on_wire(
    cycle: DrivingCycleFacts, completed_now: Sequence[Monitor] | None
) -> contract.DrivingCycle:
    """The summary of a driving cycle as the contract has it."""
    return contract.DrivingCycle(
        started_at=contract.format_time(cycle.started_at),
        ended_at=contract.format_time(cycle.ended_at),
        propulsion_on_s=cycle.propulsion_on_s,
        engine_on_s=cycle.engine_on_s,
        distance_km=cycle.distance_km,
        seconds_at_or_above_40_kmh=cycle.seconds_at_or_above_40_kmh,
        longest_idle_s=cycle.longest_idle_s,
        coolant_start_c=cycle.coolant_start_c,
        coolant_peak_c=cycle.coolant_peak_c,
        warm_up=cycle.warm_up,
        soak_s=UNSET if cycle.soak_s is None else cycle.soak_s,
        ambient_c=cycle.ambient_c,
        barometric_kpa=cycle.baro_kpa,
        fuel_start_pct=cycle.fuel_start_pct,
        fuel_end_pct=cycle.fuel_end_pct,
        lowest_v=cycle.lowest_v,
        monitors_completed=UNSET if completed_now is None else list(completed_now),
    )
