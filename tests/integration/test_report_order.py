"""The order in which reports are read back, against a plain sort of all rows (Python's own)."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta

import pytest
from sqlalchemy import Engine, select

from gateway import contract
from ingest.store.database import read
from ingest.store.fold_states import FIRST, Position
from ingest.store.report_order import stored_reports
from ingest.store.schema import report
from tests.support.databases import NewUrl
from tests.support.reports import JOURNAL, START, load, opened, store, vehicle
from tests.support.reports import report as made
from tests.support.stored_keys import stored_keys

NEWER = "7a1c2a7e-58b1-4e0d-9a43-0c6d5e2f7b10"


@pytest.fixture
def engine(new_url: NewUrl) -> Iterator[Engine]:
    """An empty store of the run's own kind."""
    with opened(new_url()) as one:
        yield one


def everything(engine: Engine) -> dict[int, list[tuple[Position, int]]]:
    """Place and row id of every stored report, by vehicle, in order."""
    found: dict[int, list[tuple[Position, int]]] = {}
    with read(engine) as connection:
        for row in connection.execute(select(report).where(report.c.vehicle_id.is_not(None))):
            place = (row.fitted_from, row.journal_created_at, row.journal, row.seq)
            found.setdefault(row.vehicle_id, []).append((place, row.id))
    return {one: sorted(rows) for one, rows in found.items()}


def lived(engine: Engine) -> None:
    """A gateway that goes from one vehicle to another in mid-journal, with a journal begun anew.

    One journal says two different moments of its making, as no good gateway does.
    """
    load(engine, vehicle(1), vehicle(2))
    first = [made(1, seq, journal=JOURNAL) for seq in range(1, 9)]
    said = (contract.format_time(START + timedelta(days=1)), first[0].taken_at)
    anew = [
        made(1, seq, journal=NEWER, journal_created_at=said[seq % 3 == 0]) for seq in range(1, 8)
    ]
    late = contract.format_time(START + timedelta(days=20))
    moved = [made(1, seq, taken_at=late, vin=vehicle(3).vin) for seq in range(9, 14)]
    for one in (first[4:], anew[::2], first[:4], anew[1::2], moved):
        store(engine, *one)
    day = date(2026, 10, 11)
    change = (
        vehicle(1, gateway=None, fitted_from=None),
        vehicle(3, gateway="gw-0001", fitted_from=day),
    )
    load(engine, *change, request_id="load-2")


def test_reports_come_back_in_order_from_any_place(engine: Engine) -> None:
    lived(engine)
    wanted = everything(engine)
    assert sorted(len(rows) for rows in wanted.values()) == [5, 15]
    with read(engine) as connection:
        for vehicle_id, rows in wanted.items():
            for after in (FIRST, *(place for place, _ in rows)):
                got = [
                    (one.placed.position, one.row_id)
                    for one in stored_reports(connection, vehicle_id, after)
                ]
                assert got == [one for one in rows if one[0] > after]


def test_only_those_of_a_time_come_back(engine: Engine) -> None:
    lived(engine)
    with read(engine) as connection:
        rows = list(stored_reports(connection, 1, FIRST))
        times = sorted(one.observed_at for one in rows if one.observed_at is not None)
        start, end = times[3], times[9]
        got = [one.row_id for one in stored_reports(connection, 1, FIRST, (start, end))]
    kept = [one for one in rows if one.observed_at and start <= one.observed_at <= end]
    assert got == [one.row_id for one in kept]
    assert len(got) >= 7


def test_each_key_names_the_row_of_its_report(engine: Engine) -> None:
    lived(engine)
    own = (report.c.gateway, report.c.journal, report.c.seq, report.c.id)
    with read(engine) as connection:
        stored = sorted(map(tuple, connection.execute(select(*own))))
    assert len(stored) == 20
    assert sorted(map(tuple, stored_keys(engine))) == stored
