"""How long a vehicle list of 10,000 rows takes to import, against reading and inserting it bare.

The limit, measured in the same run: the same file through `csv.reader`, and the same cells into
an SQLite table of the same columns with one `executemany`, committed. Run by hand:

    python -m tests.bench.bench_vehicle_list [--rows N]
"""

from __future__ import annotations

import argparse
import csv
import sqlite3
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

from gateway.facts import Ignition
from ingest import commands
from ingest.domain.lay_up import parse_seasons
from ingest.domain.vehicles import Vehicle
from ingest.domain.vin import check_digit_fault
from ingest.queries import open_database
from ingest.vehicle_files import read_vehicles, write_vehicles
from tests.support.bench_results import keep

ROWS = 10_000
AIM_S = 5.0
NOW = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)


def vin(number: int) -> str:
    """An invented VIN of model year 2021 with its check digit (49 CFR 565)."""
    stem = f"1ZZZZ2C0*M{number:07d}".replace("*", "0")
    return next(
        one
        for digit in "0123456789X"
        if check_digit_fault(one := f"{stem[:8]}{digit}{stem[9:]}") is None
    )


def vehicle(number: int) -> Vehicle:
    """Vehicle `number` with nearly every column filled."""
    return Vehicle(
        unit=f"U{number:05d}",
        vin=vin(number),
        plate=f"P {number:05d}",
        depot=f"Depot {number % 8}",
        depot_tz="America/Chicago",
        program="us-federal",
        model_year=2021,
        ignition=Ignition.SPARK,
        gvwr_lb=8500,
        gateway=f"gw-{number:05d}",
        fitted_from=date(2026, 1, 2),
        due_date=date(2027, 1, 1) + timedelta(days=number % 365),
        make="Northfield",
        fuel="gasoline",
        vehicle_class="van",
        lay_up=parse_seasons("12-20 to 01-05"),
        duty_days=(0, 1, 2, 3, 4),
        in_service_date=date(2021, 3, 1),
        odometer_mi=40_000 + number,
        odometer_source="read by hand",
        odometer_date=date(2026, 10, 1),
        registration_state="IL",
        registration_expiry=date(2027, 3, 31),
        owner="the fleet",
    )


def seconds(work: Callable[[], object]) -> float:
    """How long some work takes."""
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def bare(path: Path, folder: Path) -> None:
    """What cannot be avoided: read the cells, insert them, commit."""
    with path.open(encoding="utf-8", newline="") as file:
        heading, *lines = csv.reader(file)
    connection = sqlite3.connect(folder / "bare.sqlite3")
    connection.execute("PRAGMA journal_mode=WAL")
    connection.execute("PRAGMA synchronous=FULL")
    columns = ", ".join(f'"{name}" TEXT' for name in heading)
    connection.execute(f"CREATE TABLE bare ({columns}, UNIQUE (unit), UNIQUE (vin))")
    marks = ", ".join("?" for _ in heading)
    connection.executemany(f"INSERT INTO bare VALUES ({marks})", lines)
    connection.commit()
    connection.close()


def measure(rows: int) -> dict[str, object]:
    """Import a list of `rows` new vehicles, import it again with one column changed, and bare."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        path = folder / "list.csv"
        vehicles = [vehicle(number) for number in range(rows)]
        write = seconds(lambda: write_vehicles(path, vehicles))
        engine = open_database(f"sqlite:///{folder / 'fleet.sqlite3'}")

        def load(request_id: str) -> None:
            read = read_vehicles(path, {"us-federal"})
            assert not read.faults, read.faults[0]
            result = commands.load_vehicles(
                engine, read.vehicles, columns=read.columns,
                actor="bench", now=NOW, request_id=request_id,
            )  # fmt: skip
            assert result.added + result.changed == rows

        reading = seconds(lambda: read_vehicles(path, {"us-federal"}))
        first = seconds(lambda: load("1"))
        text = path.read_text(encoding="utf-8").replace("read by hand", "fuel card")
        path.write_text(text, encoding="utf-8")
        again = seconds(lambda: load("2"))
        engine.dispose()
        limit = seconds(lambda: bare(path, folder))
    return {
        "rows": rows,
        "import_s": round(first, 3),
        "import_again_all_changed_s": round(again, 3),
        "of_it_reading_and_checking_s": round(reading, 3),
        "export_csv_s": round(write, 3),
        "bare_read_and_insert_s": round(limit, 3),
        "ratio_to_bare": round(first / limit, 1),
        "aim_s": AIM_S,
    }


def main() -> None:
    """Measure, print and keep the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rows", type=int, default=ROWS)
    keep("vehicle_list", measure(parser.parse_args().rows))


if __name__ == "__main__":
    main()
