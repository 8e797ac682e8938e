"""Verdicts for 100,000 vehicles under all programs, against what a look at the facts must cost.

    python -m tests.bench.bench_verdicts [--vehicles N]

The limit of the same run: merge the monitors of every vehicle and count those not complete, which
no way of judging can leave out. The aim is under 20 µs a verdict.
"""

from __future__ import annotations

import argparse
import random
import time
from collections import Counter
from collections.abc import Callable
from datetime import UTC, datetime

from gateway.facts import CONTINUOUS, Ignition, Monitor
from ingest.domain.picture import EcuPicture, Picture
from ingest.domain.vehicles import Vehicle
from ingest.domain.verdict import judge
from ingest.program_files import load_programs
from tests.support.bench_results import keep

VEHICLES = 100_000
AIM_US = 20.0
NOW = datetime(2026, 3, 1, tzinfo=UTC)
READ = int(NOW.timestamp() * 1000)
SPARK = (
    Monitor.CATALYST, Monitor.EVAPORATIVE_SYSTEM, Monitor.OXYGEN_SENSOR,
    Monitor.OXYGEN_SENSOR_HEATER, Monitor.EGR_VVT,
)  # fmt: skip
COMPRESSION = (
    Monitor.NMHC_CATALYST, Monitor.NOX_AFTERTREATMENT, Monitor.EXHAUST_GAS_SENSOR,
    Monitor.PM_FILTER, Monitor.EGR_VVT,
)  # fmt: skip


def vehicle(number: int, program: str, rng: random.Random) -> tuple[Vehicle, Picture]:
    """An invented vehicle with one or two ECUs; about one lamp in twelve is on."""
    ignition = rng.choice((Ignition.SPARK, Ignition.SPARK, Ignition.COMPRESSION))
    own = SPARK if ignition is Ignition.SPARK else COMPRESSION
    lamp = rng.random() < 1 / 12
    codes = ["P0420"] if lamp else []
    engine = EcuPicture(
        heard_at=READ, readiness_at=READ, codes_at=READ, mil=lamp, code_count=len(codes),
        ignition=ignition, confirmed=codes, pending=[], permanent=codes,
        monitors={one: rng.random() > 0.1 for one in (*CONTINUOUS, *own)},
    )  # fmt: skip
    ecus = {"7E8": engine}
    if rng.random() < 0.5:
        ecus["7E9"] = EcuPicture(
            heard_at=READ, readiness_at=READ, mil=False, code_count=0, confirmed=[], pending=[],
            monitors={Monitor.COMPONENTS: True},
        )  # fmt: skip
    one = Vehicle(
        unit=f"U{number}", vin="1" * 17, plate="P", depot="D", depot_tz="America/Chicago",
        program=program, model_year=rng.randint(1996, 2026), ignition=ignition,
        gvwr_lb=rng.choice((6000, 8500, 8501, 14000, 33000)), odometer_mi=50_000,
    )  # fmt: skip
    picture = Picture(
        ecus=ecus, heard_at=READ, warm_ups_since_clear=rng.randint(0, 40),
        distance_since_clear_km=float(rng.randint(0, 900)), minutes_since_clear_min=900,
        odometer_km=80_000.0,
    )  # fmt: skip
    return one, picture


def best_us(work: Callable[[], None], count: int) -> float:
    """Microseconds of processor time for each of `count`, the best of five runs.

    Judging waits for nothing, so that other work on the machine need not be in the figure.
    """
    runs = []
    for _ in range(5):
        start = time.process_time()
        work()
        runs.append(time.process_time() - start)
    return min(runs) / count * 1e6


def measure(count: int) -> dict[str, object]:
    """Judge `count` vehicles; the programs take turns."""
    programs = load_programs()
    names, rng = sorted(programs), random.Random(1)
    fleet = [vehicle(number, names[number % len(names)], rng) for number in range(count)]
    found = [judge(programs[one.program], one, picture, NOW) for one, picture in fleet]
    # A vehicle out of scope is told at the first look: those in scope are the dear ones.
    inside = [pair for pair, verdict in zip(fleet, found, strict=True) if verdict.in_scope]

    def judged(pairs: list[tuple[Vehicle, Picture]]) -> None:
        for one, picture in pairs:
            judge(programs[one.program], one, picture, NOW)

    def bare(pairs: list[tuple[Vehicle, Picture]]) -> None:
        for _, picture in pairs:
            sum(not done for done in picture.monitors().values())

    took, limit = best_us(lambda: judged(fleet), count), best_us(lambda: bare(fleet), count)
    took_inside = best_us(lambda: judged(inside), len(inside))
    limit_inside = best_us(lambda: bare(inside), len(inside))
    outcomes = Counter(verdict.outcome for verdict in found)
    return {
        "vehicles": count,
        "programs": len(names),
        "us_a_verdict": round(took, 2),
        "us_bare_look_at_the_monitors": round(limit, 2),
        "ratio_to_bare": round(took / limit, 1),
        "in_scope": len(inside),
        "us_a_verdict_in_scope": round(took_inside, 2),
        "ratio_to_bare_in_scope": round(took_inside / limit_inside, 1),
        "aim_us": AIM_US,
        **{str(name): number for name, number in sorted(outcomes.items())},
    }


def main() -> None:
    """Measure, print and keep the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--vehicles", type=int, default=VEHICLES)
    keep("verdicts", measure(parser.parse_args().vehicles))


if __name__ == "__main__":
    main()
