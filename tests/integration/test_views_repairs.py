"""The repair form on the look-up page, drawn by Streamlit's own test runner on a real store."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from sqlalchemy import Engine
from streamlit.testing.v1 import AppTest

from dashboard.views.board import Board
from ingest import queries
from ingest.domain.verification import State
from tests.support.reports import NOW, ecu, load, opened, report, store, vehicle

PROGRAMS = queries.load_programs()
READING = 54 * 24
CHICAGO = ZoneInfo("America/Chicago")


@pytest.fixture
def engine(store_url: str) -> Iterator[Engine]:
    with opened(store_url) as engine:
        load(engine, vehicle(1))
        store(engine, report(1, READING, ecus={"7E8": ecu(mil=True, confirmed=["P0420"])}))
        yield engine


def look_page(board):
    from dashboard.views import look_up_a_vehicle

    look_up_a_vehicle.show(board)


def _page(engine: Engine) -> AppTest:
    depots = queries.depots(engine)
    board = Board(engine, PROGRAMS, depots[0], depots, lambda: "Pat", "test-session", lambda: NOW)
    test = AppTest.from_function(look_page, kwargs={"board": board}, default_timeout=30)
    test.session_state["vehicle_text"] = "U001"
    test.run()
    assert not test.exception
    return test


def _words(test: AppTest) -> str:
    parts = [one.value for one in test.markdown]
    for table in test.table:
        parts += [str(cell) for row in table.value.to_numpy() for cell in row]
    return "\n".join(parts).replace("\\", "")


def _record(engine: Engine) -> queries.VehicleRecord:
    found = queries.record(engine, 1, NOW, PROGRAMS)
    assert found is not None
    return found


def _press(test: AppTest) -> None:
    next(one for one in test.button if one.label == "Enter the repair").click().run()
    assert not test.exception


def test_a_repair_is_entered_with_the_codes_that_stand_and_its_proof_is_followed(
    engine: Engine,
) -> None:
    test = _page(engine)
    assert test.text_input("repair_codes_1").value == "P0420"
    assert "keep the freeze frame" in _words(test)
    yesterday = NOW.astimezone(CHICAGO).date() - timedelta(days=1)
    test.date_input("repair_day_1").set_value(yesterday)
    test.time_input("repair_time_1").set_value(time(15, 30))
    test.text_input("repair_by_1").set_value("R. Diaz")
    test.text_input("repair_done_1").set_value("replaced the catalyst")
    test.radio("repair_cleared_1").set_value("No")
    _press(test)
    record = _record(engine)
    (kept,) = record.explained.repairs
    assert (kept.technician, kept.done, kept.codes) == (
        "R. Diaz",
        "replaced the catalyst",
        ("P0420",),
    )
    assert kept.codes_cleared is False
    assert datetime.fromtimestamp(kept.at / 1000, CHICAGO) == datetime.combine(
        yesterday, time(15, 30), CHICAGO
    )
    assert [one.state for one in record.explained.proofs] == [State.TRIED]
    words = _words(test)
    assert "repair 1 is entered" in words
    assert "replaced the catalyst" in words


def test_a_repair_that_cannot_be_is_refused_with_every_fault(engine: Engine) -> None:
    test = _page(engine)
    test.text_input("repair_codes_1").set_value("420")
    _press(test)
    words = _words(test)
    for part in ("code: '420'", "done: ''", "by: ''"):
        assert part in words
    assert _record(engine).explained.repairs == ()


def plan_page(board):
    from dashboard.views import plan_the_week

    plan_the_week.show(board)


def test_one_cause_for_several_vehicles_is_told_on_the_plan(
    engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    line = "North: 9 of 14 vehicles start above 85%: change the fueling time."
    monkeypatch.setattr(
        queries, "depot_lines", lambda _engine, depot: (line,) if depot == "North" else ()
    )
    depots = queries.depots(engine)
    board = Board(engine, PROGRAMS, depots[0], depots, lambda: "Pat", "test-session", lambda: NOW)
    test = AppTest.from_function(plan_page, kwargs={"board": board}, default_timeout=30).run()
    assert not test.exception
    assert depots[0].name == "North"
    assert line in _words(test)
    assert "One cause for several vehicles" in [one.value for one in test.subheader]
