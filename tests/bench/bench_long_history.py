"""What a long history of one vehicle costs: a technician's record, and a report that comes late.

    python -m tests.bench.bench_long_history [--years 10] [--postgresql]

A vehicle with 18 reports a day (6 driving cycles of 3 reports), a lamp with a code every 90 days
for ten days, and a clear after each. The record is read at many moments of that life. Then reports
that were held back are delivered: each is folded in where it belongs. The limit to compare with,
measured in the same run, is the fold of that vehicle from its beginning.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterator
from datetime import timedelta

import numpy as np
from sqlalchemy import Engine

from gateway import contract
from gateway.contract import Report
from gateway.facts import Monitor
from ingest import handlers, queries
from ingest.arrival import Arrival
from ingest.collector import settle_collector
from ingest.handlers import FoldMemory
from ingest.store import folding
from ingest.store.database import read
from tests.support.bench_results import keep
from tests.support.databases import durable_database
from tests.support.reports import START, ecu, load, opened, report, vehicle, vin

A_DAY = 18
LATE = {"1 h": 1, "1 day": A_DAY, "7 days": 7 * A_DAY, "30 days": 30 * A_DAY - 1}
"""How many reports came after the late one, by how old it is."""
LOOKS = 60
AIM_MS = 300


def life(days: int) -> Iterator[Report]:
    """The reports of vehicle 1 over so many days."""
    monitors = (Monitor.CATALYST, Monitor.EVAPORATIVE_SYSTEM)
    for seq in range(1, days * A_DAY + 1):
        at = START + timedelta(days=1) * seq / A_DAY
        day = seq // A_DAY
        lit, cleared = day % 90 >= 80, day >= 90 and day % 90 < 3
        changes: dict[str, object] = {
            "taken_at": contract.format_time(at),
            "uptime_ms": seq * 86_400_000 // A_DAY,
            "reason": ("key_on", "periodic", "key_off")[seq % 3],
            "odometer_km": 1000.0 + seq * 5,
            "ecus": {
                "7E8": ecu(
                    mil=lit,
                    confirmed=["P0420"] if lit else [],
                    incomplete=monitors if cleared else (),
                )
            },
        }
        if seq % 3 == 2:
            changes["driving_cycle"] = contract.DrivingCycle(
                started_at=contract.format_time(at - timedelta(minutes=40)),
                ended_at=contract.format_time(at),
                propulsion_on_s=2400.0,
                engine_on_s=2390.0,
                distance_km=15.0,
                warm_up=True,
            )
        yield report(1, seq, **changes)


def put(engine: Engine, memory: FoldMemory, reports: list[Report]) -> None:
    """Store reports as one batch, as the service does."""
    items = []
    for one in reports:
        assert one.taken_at is not None
        at = contract.parse_time(one.taken_at)
        items.append(Arrival(contract.topic(one.gateway, "report"), contract.encode(one), at))
    statuses = {one.status for one in handlers.store_batch(engine, items, memory)}
    assert statuses == {"stored"}, statuses


def lived(engine: Engine, days: int) -> dict[str, object]:
    """A vehicle with so many days: what its record and its late reports take (ms)."""
    fitted = (START - timedelta(days=30)).date()
    load(engine, vehicle(1, fitted_from=fitted, due_date=None))
    reports, memory = list(life(days)), FoldMemory()
    late = {name: reports[len(reports) - 1 - back] for name, back in LATE.items()}
    held = {one.seq for one in late.values()}
    rest = [one for one in reports if one.seq not in held]
    for start in range(0, len(rest), 200):
        put(engine, memory, rest[start : start + 200])
    settle_collector()
    found: dict[str, object] = {"days": days, "reports": len(reports)}
    found |= looked_at(engine, days)
    begun = time.perf_counter()
    with read(engine) as connection:
        folding.fold_all(connection, 1, vin(1))
    found["fold_from_the_beginning_ms"] = round((time.perf_counter() - begun) * 1000, 1)
    took = {}
    for name, one in late.items():
        begun = time.perf_counter()
        put(engine, memory, [one])
        took[name] = round((time.perf_counter() - begun) * 1000, 1)
    found["late_report_ms"] = took
    return found


def looked_at(engine: Engine, days: int) -> dict[str, object]:
    """The record at moments spread over the last year of the life."""
    programs = queries.load_programs(None)
    took = []
    for number in range(LOOKS):
        as_of = START + timedelta(days=days) - timedelta(days=min(days, 365)) * number / LOOKS
        begun = time.perf_counter()
        found = queries.record(engine, 1, as_of, programs)
        took.append((time.perf_counter() - begun) * 1000)
        assert found is not None
    return {
        "record_p50_ms": round(float(np.percentile(took, 50)), 1),
        "record_p95_ms": round(float(np.percentile(took, 95)), 1),
        "record_looks": LOOKS,
    }


def main() -> None:
    """Measure lives of 30 days, one year and ten; print and keep."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--years", type=int, default=10)
    parser.add_argument("--postgresql", action="store_true")
    options = parser.parse_args()
    kind = "postgresql" if options.postgresql else "sqlite"
    found: dict[str, object] = {"database": kind, "aim": f"record p95 below {AIM_MS} ms"}
    for days in (30, 365, options.years * 365):
        with durable_database(kind) as url, opened(url) as engine:
            found[f"{days} days"] = lived(engine, days)
    keep("long_history", found, kind)


if __name__ == "__main__":
    main()
