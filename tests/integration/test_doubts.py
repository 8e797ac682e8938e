"""What does not fit of a whole depot: from stored readings to the rows of the board."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

import pytest
from msgspec import structs
from sqlalchemy import Engine
from streamlit.testing.v1 import AppTest

from dashboard.views.board import Board
from gateway.contract import Calibration, EcuReading
from gateway.facts import Monitor
from ingest import queries
from ingest.program_files import load_programs
from tests.support.reports import NOW, START, ecu, load, opened, report, store, vehicle, vin

PROGRAMS = load_programs()
LAST = 54 * 24  # hours from START: the day before NOW


def _engine(software: str, *incomplete: Monitor) -> dict[str, EcuReading]:
    said = structs.replace(
        ecu(incomplete=incomplete), calibrations=[Calibration(id="A1", cvn=software)]
    )
    return {"7E8": said}


def _found(engine: Engine, days: int) -> list[tuple[str, str]]:
    today = queries.fleet_today(engine, "North", NOW, PROGRAMS)
    found = queries.doubts_of(engine, today.vehicles, NOW - timedelta(days=days))
    return [(one.unit, doubt.kind) for one, doubt in found]


@pytest.fixture
def engine(store_url_of_either: str) -> Iterator[Engine]:
    with opened(store_url_of_either) as engine:
        south = vehicle(6, depot="South", fuel="diesel")
        load(engine, *(vehicle(n) for n in range(1, 5)), vehicle(5, fuel="diesel"), south)
        yield engine


def test_every_kind_of_doubt_of_a_depot_is_found_and_no_other_vehicle_is_named(
    engine: Engine,
) -> None:
    unset = (Monitor.CATALYST, Monitor.EVAPORATIVE_SYSTEM)
    store(
        engine,
        report(1, LAST - 1, ecus=_engine("AAAA0001")),
        report(1, LAST, ecus=_engine("AAAA0002")),  # another verification number
        report(2, LAST - 1, odometer_km=900.0),
        report(2, LAST, odometer_km=400.0),  # ran backwards
        report(3, LAST - 1, warm_ups_since_clear=90, distance_since_clear_km=900.0),
        report(
            3, LAST, ecus={"7E8": ecu(incomplete=unset)}, warm_ups_since_clear=0,
            distance_since_clear_km=0.0,
        ),  # readiness reset, no repair written down
        report(4, LAST),
        report(4, LAST + 1, vin=vin(2)),  # reads another VIN
        report(5, LAST, fuel_type=1),  # gasoline
        report(6, LAST, fuel_type=1),
    )  # fmt: skip
    assert _found(engine, 14) == [
        ("U001", "software"), ("U002", "counter"), ("U003", "unrecorded_clear"), ("U004", "vin"),
        ("U005", "fuel"),
    ]  # fmt: skip
    assert _found(engine, 0) == [("U004", "vin"), ("U005", "fuel")]  # what stands now


def _plan_page(board):
    from dashboard.views import plan_the_week

    plan_the_week.show(board)


@pytest.mark.parametrize("fits", [True, False])
def test_the_first_page_names_them_where_there_are_any(engine: Engine, fits: bool) -> None:
    store(engine, report(4, LAST), report(4, LAST + 1, vin=vin(4 if fits else 2)))
    depots = queries.depots(engine)
    board = Board(engine, PROGRAMS, depots[0], depots, lambda: "Pat", "test-session", lambda: NOW)
    test = AppTest.from_function(_plan_page, kwargs={"board": board}, default_timeout=30).run()
    assert not test.exception
    shown = "Does not fit, now or in the last 14 days" in [one.value for one in test.subheader]
    assert shown is not fits
    units = [str(table.value.iloc[0, 0]) for table in test.table if "Look at" in table.value]
    assert units == ([] if fits else ["U004"])


def test_a_depot_without_vehicles_has_none(engine: Engine) -> None:
    today = queries.fleet_today(engine, "Nowhere", NOW, PROGRAMS)
    assert queries.doubts_of(engine, today.vehicles, START) == ()
