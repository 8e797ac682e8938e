"""What one report costs as the history grows: from 10 thousand to 5 million stored reports.

    python -m tests.bench.bench_growth [--up-to 5000000] [--postgresql]

Each store is made anew. The first five thousand reports of 1,000 vehicles take the real path. The
mass is then made of rows copied inside the database: the vehicles' own keys, reports, events and
driving cycles again and again, under an older journal of each gateway, so that every table and
index grows as it would. The next reports of all vehicles then take the real path in batches
(decode, fold, alerts, commit, receipts; no broker), and the very same ones go, batch by batch in
turn, into a store of ten thousand: the limit, measured at the same time on the same machine. What
is kept: means, with the moving of the write-ahead log in them, and the ratios to the small store,
by the clock and of this process's time (on PostgreSQL the server's own work is in the first alone).
Each size is written to the results as soon as it is measured.
"""

from __future__ import annotations

import argparse
import os
import statistics
import time
from collections.abc import Iterator, Sequence

from sqlalchemy import Engine, text

from gateway import contract
from ingest import queries
from ingest.arrival import Arrival
from ingest.clock import SystemClock
from ingest.collector import settle_collector
from ingest.intake import Intake
from ingest.metrics import Metrics
from ingest.store.database import write
from ingest.subscriber import BATCH
from tests.support.bench_results import keep
from tests.support.databases import durable_database
from tests.support.reports import history, load, opened, vehicle

VEHICLES = 1000
FIRST = 5
"""Reports a vehicle that take the real path at first: what the mass is copied from."""
MEASURED = 34
"""Reports a vehicle that are measured at each size: the gathered keys move twice meanwhile."""
SIZES = (10_000, 100_000, 1_000_000, 5_000_000)
Times = list[tuple[float, float]]
"""Seconds of each batch, by the clock and of the processor."""
OLDER = "5f1c2a7e" + "-58b1-4e0d-9a43-"
"""The older journals are named as those of `tests.support.reports`, but for the first digit."""
_COPY = (
    "INSERT INTO report_key (gateway, journal, seq, report_id)"
    " SELECT gateway, :older || substr(journal, 25), seq + :shift, report_id + :above"
    " FROM (SELECT * FROM report_key UNION ALL SELECT * FROM report_key_recent) AS keys"
    " WHERE seq <= :first AND journal NOT LIKE '5%'",
    "INSERT INTO report (id, gateway, journal, seq, vehicle_id, fitted_from, journal_created_at,"
    " taken_at, observed_at, received_at, reason, body)"
    " SELECT id + :above, gateway, :older || substr(journal, 25), seq + :shift, vehicle_id,"
    " fitted_from,"
    " journal_created_at - 86400000, taken_at, observed_at, received_at, reason, body"
    " FROM report WHERE id <= :last_report",
    'INSERT INTO episode (vehicle_id, kind, subject, "natural", started_at, ended_at,'
    " start_journal, start_seq, end_journal, end_seq, details)"
    " SELECT vehicle_id, kind, subject, \"natural\" || '|' || CAST(:shift AS TEXT), started_at,"
    " coalesce(ended_at, started_at), :older || substr(start_journal, 25), start_seq + :shift,"
    " :older || substr(start_journal, 25), start_seq + :shift, details"
    " FROM episode WHERE id <= :last_episode",
    "INSERT INTO vehicle_journal (vehicle_id, fitted_from, journal_created_at, journal, gateway)"
    " SELECT vehicle_id, fitted_from, journal_created_at - 86400000, :older || substr(journal, 25),"
    " gateway FROM vehicle_journal WHERE journal NOT LIKE '5%' ON CONFLICT DO NOTHING",
    "INSERT INTO driving_cycle (vehicle_id, journal, seq, observed_at, started_at, ended_at,"
    " summary)"
    " SELECT vehicle_id, :older || substr(journal, 25), seq + :shift, observed_at, started_at,"
    " ended_at, summary FROM driving_cycle WHERE seq <= :first AND journal NOT LIKE '5%'",
)


def arrivals(first: int, last: int) -> list[Arrival]:
    """The reports of all vehicles from seq `first` to `last`, one vehicle after the other."""
    now = SystemClock().now()
    lives = [history(number, last) for number in range(1, VEHICLES + 1)]
    return [
        Arrival(contract.topic(one[seq].gateway, "report"), contract.encode(one[seq]), now, False)
        for seq in range(first - 1, last)
        for one in lives
    ]


def stored(intake: Intake, messages: Sequence[Arrival]) -> Iterator[tuple[float, float]]:
    """Store in batches; yield the seconds of each by the clock and of the processor."""
    for start in range(0, len(messages), BATCH):
        wall, cpu = time.perf_counter(), time.process_time()
        intake.store(messages[start : start + BATCH])
        yield time.perf_counter() - wall, time.process_time() - cpu


def grow(engine: Engine, copies: range) -> None:
    """Add as many copies of the first reports of all vehicles, each later than the one before."""
    with write(engine) as connection:
        marks = connection.execute(
            text(
                "SELECT (SELECT max(id) FROM report WHERE seq <= :first AND journal NOT LIKE '5%'),"
                " (SELECT max(id) FROM episode WHERE start_seq <= :first"
                " AND start_journal NOT LIKE '5%')"
            ),
            {"first": FIRST},
        ).one()
    for copy in copies:
        values = {
            "older": OLDER, "shift": copy * FIRST, "first": FIRST,
            "last_report": marks[0], "last_episode": marks[1],
        }  # fmt: skip
        with write(engine) as connection:
            newest = connection.execute(text("SELECT max(id) FROM report")).scalar_one()
            values["above"] = newest
            for line in _COPY:
                used = {name: one for name, one in values.items() if f":{name}" in line}
                connection.execute(text(line), used)
    with write(engine) as connection:
        if engine.dialect.name == "postgresql":
            connection.execute(text("ANALYZE"))
            last = "SELECT setval(pg_get_serial_sequence('report', 'id'), max(id)) FROM report"
            connection.execute(text(last))
        connection.execute(text("DELETE FROM gateway_journal WHERE journal LIKE '5%'"))
        connection.execute(
            text(
                "INSERT INTO gateway_journal (gateway, journal, created_at, spans, updated_at)"
                " SELECT gateway, :older || substr(journal, 25), created_at - 86400000, :spans,"
                " updated_at - 86400000 FROM gateway_journal"
            ),
            {"older": OLDER, "spans": f"[[1,{copies.stop * FIRST}]]"},
        )


def made(engine: Engine, size: int) -> Intake:
    """Make a store of so many reports in an empty database; what stores the next ones in it."""
    load(engine, *(vehicle(number) for number in range(1, VEHICLES + 1)))
    intake = Intake(engine, SystemClock(), Metrics())
    list(stored(intake, arrivals(1, FIRST)))
    grow(engine, range(1, size // (VEHICLES * FIRST)))
    list(stored(intake, arrivals(FIRST + 1, FIRST + 1)))  # the first next ones warm the pages
    return intake


def main() -> None:
    """Grow, measure at each size, keep the curve."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--up-to", type=int, default=100_000)
    parser.add_argument("--postgresql", action="store_true")
    options = parser.parse_args()
    kind = "postgresql" if options.postgresql else "sqlite"
    settle_collector()
    points = list[dict[str, float]]()
    for size in (one for one in SIZES if one <= options.up_to):
        with (
            durable_database(kind) as large,
            durable_database(kind) as small,
            opened(large) as here,
            opened(small) as there,
        ):
            points.append(measured(here, there, size))
        keep("growth", {"database": kind, "vehicles": VEHICLES, "curve": points}, kind)


def measured(large: Engine, small: Engine, size: int) -> dict[str, float]:
    """What the next reports cost in a store of `size` reports, beside the same in a small one."""
    begun = time.perf_counter()
    pair = made(large, size), made(small, SIZES[0])
    made_s = time.perf_counter() - begun
    os.sync()  # so that the disk is not busy with what was made while the next ones are measured
    next_ones = arrivals(FIRST + 2, FIRST + 1 + MEASURED)
    both = list(zip(*(stored(intake, next_ones) for intake in pair), strict=True))
    here, there = [one for one, _ in both], [one for _, one in both]
    return {
        "stored_reports": queries.stored_counts(large)["reports"],
        "mean_us_a_report": _us(here, 0),
        "mean_cpu_us_a_report": _us(here, 1),
        "small_store_us_a_report": _us(there, 0),
        "small_store_cpu_us_a_report": _us(there, 1),
        "to_small_store": round(_us(here, 0) / _us(there, 0), 2),
        "cpu_to_small_store": round(_us(here, 1) / _us(there, 1), 2),
        "measured_reports": len(next_ones),
        "stores_made_in_s": round(made_s, 1),
    }


def _us(times: Times, which: int) -> float:
    return round(statistics.fmean(one[which] for one in times) / BATCH * 1e6, 1)


if __name__ == "__main__":
    main()
