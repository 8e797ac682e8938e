"""Forecasts of 10,000 vehicles in one process, against the bare draws and sorts for them.

    python -m tests.bench.bench_forecast [--vehicles N]

Every vehicle has 56 days of driving, five monitors set back some days ago and in-use counters; one
in eight needs a repair. The limit of the same run: for the same vehicles, beta-geometric waits at
the fixed points turned into driving, the order statistic over the monitors and one sort, in numpy
and nothing else. Seconds are those of one processor, whatever else runs. The aim is under 60 s for
10,000 vehicles, with memory that does not grow.
"""

from __future__ import annotations

import argparse
import random
import resource
import time
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta

import numpy as np

from gateway.facts import Ignition, Monitor
from ingest.domain.completion import MAX_CYCLES
from ingest.domain.completion_priors import PRIORS
from ingest.domain.cycles import Cycle
from ingest.domain.draws import fixed_draws
from ingest.domain.episodes import Episode
from ingest.domain.explanation import why_not
from ingest.domain.foresight import Facts, foresee
from ingest.domain.picture import EcuPicture, Picture
from ingest.domain.vehicles import Vehicle
from ingest.domain.verdict import Outcome, Verdict
from tests.support.bench_results import keep

VEHICLES = 10_000
AIM_S = 60.0
NOW = datetime(2026, 3, 2, 18, 0, tzinfo=UTC)
NOW_MS = int(NOW.timestamp() * 1000)
HOUR = 3_600_000
DAYS = 56
MONITORS = (
    Monitor.OXYGEN_SENSOR_HEATER, Monitor.OXYGEN_SENSOR, Monitor.EGR_VVT, Monitor.CATALYST,
    Monitor.EVAPORATIVE_SYSTEM,
)  # fmt: skip
COUNTED = ("oxygen_sensor_bank_1", "egr_vvt", "catalyst_bank_1", "evaporative_system")


def driven(dice: random.Random) -> tuple[Cycle, ...]:
    """Eight weeks of driving cycles, the newest first."""
    found = []
    for ago in range(DAYS):
        for number in range(dice.choice((0, 2, 4, 6))):
            at = NOW_MS - ago * 24 * HOUR - (number + 1) * HOUR
            found.append(
                Cycle(
                    journal="j", seq=ago * 10 + number, observed_at=at, started_at=at,
                    ended_at=at + 1_200_000, propulsion_on_s=1200, engine_on_s=1200,
                    distance_km=14.0, seconds_at_or_above_40_kmh=500.0, longest_idle_s=60.0,
                    coolant_start_c=30.0, coolant_peak_c=90.0, soak_s=9000.0, ambient_c=15.0,
                    fuel_start_pct=60.0, barometric_kpa=99.0,
                )
            )  # fmt: skip
    return tuple(found)


def fleet(count: int) -> Iterator[Facts]:
    """The facts of one vehicle after the other; causes are worked out as for the board."""
    dice = random.Random(4)
    for number in range(count):
        waited = dice.randint(3, 24)
        failing = dice.random() < 1 / 8
        counters = {"ignition_cycles": dice.randint(200, 4000)}
        for name in COUNTED:
            counters[f"{name}_conditions"] = counters["ignition_cycles"]
            counters[f"{name}_completions"] = int(
                counters["ignition_cycles"] * dice.uniform(0.05, 0.6)
            )
        ecu = EcuPicture(
            heard_at=NOW_MS, monitors=dict.fromkeys(MONITORS, False), in_use_counters=counters,
            confirmed=["P0420"] if failing else [],
        )  # fmt: skip
        picture = Picture(
            ecus={"7E8": ecu},
            heard_at=NOW_MS,
            driving_cycles=200,
            driving_cycles_since_clear=waited,
        )
        cycles = driven(dice)
        events = tuple(
            Episode(
                kind="not_complete", subject=one.value, started_at=cycles[waited].started_at,
                start_key=("j", 1), details={"driving_cycles_at_start": 200 - waited},
            )
            for one in MONITORS
        )  # fmt: skip
        outcome = Outcome.WOULD_FAIL if failing else Outcome.NOT_READY
        yield Facts(
            vehicle=Vehicle(
                unit=f"U{number}", vin="1" * 17, plate="P", depot="D", program="us-federal",
                depot_tz="America/Chicago", model_year=2019, ignition=Ignition.SPARK,
            ),
            picture=picture, verdict=Verdict(outcome, "", (), (), MONITORS, 1),
            due=date(2026, 3, 2) + timedelta(days=dice.randint(5, 120)), as_of=NOW, events=events,
            cycles=cycles, whys=why_not(picture, events, cycles, NOW),
        )  # fmt: skip


def bare(facts: Facts) -> None:
    """The least of it: waits, driving, the order statistic, and one sort."""
    draws, steps = fixed_draws(), np.arange(MAX_CYCLES, dtype=np.float64)
    waits = []
    for one in MONITORS:
        a, b = PRIORS[one].a, PRIORS[one].b + 10
        done = 1.0 - np.cumprod((b + steps) / (a + b + steps))
        cycles = np.searchsorted(done, draws.uniform(one, 0.2)).astype(np.float64) + 1.0
        waits.append(draws.driving(cycles))
    np.sort(np.partition(np.column_stack(waits), 3, axis=1)[:, 3])


def measure(count: int) -> dict[str, object]:
    """Foresee `count` vehicles, in tenths to see memory; then the bare work for as many."""
    foresee(next(fleet(1)))  # the points are made once in the life of a process
    seconds, with_dates, memory = 0.0, 0, []
    for place, facts in enumerate(fleet(count), start=1):
        start = time.process_time()
        found = foresee(facts)
        seconds += time.process_time() - start
        with_dates += found.ready_90 is not None or found.repair_by is not None
        if place % (count // 10) == 0:
            memory.append(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)
    limit = 0.0
    for facts in fleet(count // 10):
        start = time.process_time()
        bare(facts)
        limit += 10 * (time.process_time() - start)
    return {
        "vehicles": count,
        "processor_seconds": round(seconds, 2),
        "aim_s": AIM_S,
        "processor_ms_a_vehicle": round(seconds / count * 1e3, 3),
        "seconds_bare_draws_and_sorts": round(limit, 2),
        "ratio_to_bare": round(seconds / limit, 2),
        "with_a_date": with_dates,
        "memory_mib_after_a_tenth": round(memory[0], 1),
        "memory_mib_at_the_end": round(memory[-1], 1),
    }


def main() -> None:
    """Measure, print and keep the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--vehicles", type=int, default=VEHICLES)
    keep("forecast_bench", measure(parser.parse_args().vehicles))


if __name__ == "__main__":
    main()
