"""Reports, vehicles and a store to put them in, for the integration tests of ingest."""

from __future__ import annotations

import random
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, date, datetime, timedelta
from typing import Any

from sqlalchemy import Engine

from gateway import contract
from gateway.contract import EcuReading, Report
from gateway.facts import Ignition, Monitor
from ingest import commands, handlers
from ingest.arrival import Arrival
from ingest.domain.vehicles import Vehicle
from ingest.store.database import open_database

START = datetime(2026, 10, 1, 6, 0, tzinfo=UTC)
JOURNAL = "6f1c2a7e-58b1-4e0d-9a43-0c6d5e2f7b10"
NOW = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)


@contextmanager
def opened(url: str) -> Iterator[Engine]:
    """A store that is closed at the end."""
    engine = open_database(url)
    try:
        yield engine
    finally:
        engine.dispose()


def vin(number: int) -> str:
    """An invented VIN: no check digit is looked at behind the vehicle list's door."""
    return f"1FLEET00000{number:06d}"


def gateway_name(number: int) -> str:
    """The gateway of vehicle `number`."""
    return f"gw-{number:04d}"


def journal_of(number: int) -> str:
    """The journal of gateway `number`."""
    return f"6f1c2a7e-58b1-4e0d-9a43-{number:012x}"


def vehicle(number: int, **changes: Any) -> Vehicle:
    """Vehicle `number` of an invented fleet."""
    values: dict[str, Any] = {
        "unit": f"U{number:03d}",
        "vin": vin(number),
        "plate": f"FLT {number:03d}",
        "depot": "North",
        "depot_tz": "America/Chicago",
        "program": "us-federal",
        "model_year": 2019,
        "ignition": Ignition.SPARK,
        "gvwr_lb": 8500,
        "gateway": gateway_name(number),
        "fitted_from": date(2026, 9, 1),
        "due_date": date(2026, 12, 10),
    }
    return Vehicle(**(values | changes))


def ecu(
    *,
    mil: bool = False,
    confirmed: list[str] | None = None,
    incomplete: tuple[Monitor, ...] = (),
) -> EcuReading:
    """What an engine ECU answers; monitors in `incomplete` are not complete."""
    monitors = (Monitor.MISFIRE, Monitor.CATALYST, Monitor.EVAPORATIVE_SYSTEM)
    codes = confirmed or []
    return EcuReading(
        mil=mil,
        code_count=len(codes),
        ignition=Ignition.SPARK,
        monitors={monitor: monitor not in incomplete for monitor in monitors},
        confirmed=codes,
        pending=[],
        permanent=[],
    )


def report(number: int, seq: int, **changes: Any) -> Report:
    """Report `seq` of gateway `number`, one an hour from 2026-10-01 06:00 UTC."""
    values: dict[str, Any] = {
        "schema": "report/1",
        "gateway": gateway_name(number),
        "journal": journal_of(number),
        "journal_created_at": contract.format_time(START),
        "seq": seq,
        "boot_no": 1,
        "taken_at": contract.format_time(START + timedelta(hours=seq)),
        "clock": "synced",
        "uptime_ms": seq * 3_600_000,
        "reason": "periodic",
        "vin": vin(number),
        "ecus": {"7E8": ecu()},
        "odometer_km": 1000.0 + seq,
    }
    return Report(**(values | changes))


def incoming(message: Report | contract.Presence, at: datetime = NOW) -> Arrival:
    """A message as it arrives on its own topic."""
    kind: contract.Kind = "report" if isinstance(message, Report) else "presence"
    return Arrival(contract.topic(message.gateway, kind), contract.encode(message), at)


def history(number: int, length: int, seed: int = 1) -> list[Report]:
    """A life with lamps, codes and monitors that come and go, drawn from `seed`."""
    dice = random.Random(seed * 1000 + number)
    lamp, codes, incomplete = False, list[str](), tuple[Monitor, ...]()
    reports = []
    for seq in range(1, length + 1):
        if dice.random() < 0.1:
            lamp = not lamp
            codes = ["P0420"] if lamp else []
        if dice.random() < 0.1:
            incomplete = () if incomplete else (Monitor.CATALYST, Monitor.EVAPORATIVE_SYSTEM)
        changes: dict[str, Any] = {}
        if dice.random() < 0.1:
            changes = {"taken_at": None, "clock": "unset"}
        reading = ecu(mil=lamp, confirmed=codes, incomplete=incomplete)
        reports.append(report(number, seq, ecus={"7E8": reading}, **changes))
    return reports


def load(engine: Engine, *vehicles: Vehicle, request_id: str = "load-1") -> commands.LoadResult:
    """Load a vehicle list."""
    return commands.load_vehicles(engine, vehicles, actor="tester", now=NOW, request_id=request_id)


def store(engine: Engine, *reports: Report) -> list[str]:
    """Store reports as one batch; return the status of each."""
    return [one.status for one in handlers.store_batch(engine, [incoming(r) for r in reports])]
