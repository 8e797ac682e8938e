"""The look-up page with all that is read by hand today, drawn without a browser."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

import pytest
from sqlalchemy import Engine
from streamlit.testing.v1 import AppTest

from dashboard.views.board import Board
from ingest import queries
from tests.support.full_reading import driving_cycle, full_report, j1939_report
from tests.support.reports import NOW, START, load, opened, report, store, vehicle

READING = 54 * 24  # report 1,296 is of 2026-11-24 06:00 UTC, a day before NOW
PROGRAMS = queries.load_programs()


@pytest.fixture
def engine(store_url: str) -> Iterator[Engine]:
    with opened(store_url) as engine:
        load(engine, vehicle(1), vehicle(2), vehicle(3))
        yield engine


def look_page(board):
    from dashboard.views import look_up_a_vehicle

    look_up_a_vehicle.show(board)


def _look(engine: Engine, unit: str) -> tuple[list[str], str]:
    """The headings of a vehicle's page, and all that it says."""
    depots = queries.depots(engine)
    board = Board(engine, PROGRAMS, depots[0], depots, lambda: "technician", "test", lambda: NOW)
    test = AppTest.from_function(look_page, kwargs={"board": board}, default_timeout=30).run()
    test.text_input(key="vehicle_text").set_value(unit).run()
    assert not test.exception
    parts = [one.value for one in test.markdown] + [one.label for one in test.expander]
    for table in test.table:
        parts += [str(cell) for row in table.value.to_numpy() for cell in row]
    headings = [one.value.replace("\\", "") for one in test.subheader]
    return headings, "\n".join(parts).replace("\\", "")


def test_a_technician_sees_frames_results_counters_findings_and_driving_cycles(
    engine: Engine,
) -> None:
    drive = driving_cycle(START + timedelta(hours=READING - 2))
    store(engine, report(1, READING - 1, driving_cycle=drive), full_report(1, READING))
    headings, said = _look(engine, "U001")

    for heading in (
        "Freeze frames", "Values that make no sense", "Monitor test results", "In-use counters",
        "Driving cycles",
    ):  # fmt: skip
        assert heading in headings
    assert "Causing code P0420: " in said
    assert "Coolant\n190 °F" in said
    assert "Manifold pressure\n12.1 inches of mercury" in said
    assert "failed" in said
    assert "not run since codes were cleared" in said
    assert "0.674" in said  # 812 / 1204
    assert "common practice, no source" in said
    assert "19.6 miles" in said
    assert "Calibrations" in said


def test_a_j1939_vehicle_cannot_be_told_and_is_never_without_codes(engine: Engine) -> None:
    store(engine, j1939_report(2, READING))
    headings, said = _look(engine, "U002")

    assert "J1939 vehicle, not read yet" in said
    assert "cannot tell" in said
    assert "SPN 3251, FMI 2" in said
    assert "none" not in said.split("Alerts")[0].replace("none fitted", "")
    assert "Lamps broadcast on J1939" in headings


def test_another_tester_is_told_and_stands_among_the_events(engine: Engine) -> None:
    store(engine, report(3, READING), report(3, READING + 1, ecus={}, quiet="another_tester"))
    _, said = _look(engine, "U003")

    assert "Another tester is on the bus" in said
    assert "another tester on the bus" in said
