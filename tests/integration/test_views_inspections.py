"""The forms on the look-up page, drawn by Streamlit's own test runner on a real store."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from sqlalchemy import Engine
from streamlit.testing.v1 import AppTest

from dashboard.views.board import Board
from gateway.facts import Monitor
from ingest import queries
from ingest.domain.inspections import Result
from tests.support.reports import NOW, ecu, load, opened, report, store, vehicle

PROGRAMS = queries.load_programs()
READING = 54 * 24


@pytest.fixture
def engine(store_url: str) -> Iterator[Engine]:
    with opened(store_url) as engine:
        load(engine, vehicle(1, program="illinois"))
        store(
            engine,
            report(1, READING - 1),
            report(1, READING, ecus={"7E8": ecu(incomplete=(Monitor.CATALYST,))}),
        )
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


def test_a_failure_is_entered_and_the_page_says_what_follows(engine: Engine) -> None:
    test = _page(engine)
    test.selectbox("result_result_1").set_value("failed")
    test.text_input("result_codes_1").set_value("p0420, P0442")
    next(one for one in test.button if one.label == "Enter the result").click().run()
    assert not test.exception
    (kept,) = _record(engine).inspections
    assert (kept.result, kept.codes) == (Result.FAILED, ("P0420", "P0442"))
    words = _words(test)
    assert "result 1 is entered" in words
    assert "failed for P0420, P0442" in words


def test_a_result_that_cannot_be_is_refused_with_the_reason(engine: Engine) -> None:
    test = _page(engine)
    test.text_input("result_codes_1").set_value("P0420")
    next(one for one in test.button if one.label == "Enter the result").click().run()
    assert "expected none unless it failed" in _words(test)
    assert _record(engine).inspections == ()


def test_a_look_at_the_lamp_is_entered_under_the_actor_s_name(engine: Engine) -> None:
    test = _page(engine)
    test.radio("look_key_on_1").set_value("No")
    next(one for one in test.button if one.label == "Enter the look").click().run()
    assert not test.exception
    (look,) = _record(engine).looks
    assert (look.lit_at_key_on, look.lit_while_running, look.by) == (False, None, "Pat")


def test_readiness_set_back_without_a_recorded_repair_is_shown(engine: Engine) -> None:
    assert "no repair is recorded for that time" in _words(_page(engine))
    assert [one.kind for one in _record(engine).doubts] == ["unrecorded_clear"]


def _press(test: AppTest, label: str) -> None:
    next(one for one in test.button if one.label == label).click().run()
    assert not test.exception


def test_an_absence_is_entered_and_taken_back_with_who_and_why(engine: Engine) -> None:
    test = _page(engine)
    test.text_input("away_place_1").set_value("Ohio")
    test.text_input("away_proof_1").set_value("OH 4711")
    test.date_input("away_day_1").set_value(NOW.date())
    _press(test, "Enter the absence")
    assert [one.place for one in _record(engine).absences] == ["Ohio"]
    assert "Proof on file: OH 4711 of Wed Nov 25, 2026." in _words(test)
    _press(test, "Withdraw it")
    assert "Not done: why" in _words(test)
    test.text_input("withdraw_why_1").set_value("it never left")
    _press(test, "Withdraw it")
    record = _record(engine)
    assert record.absences == ()
    assert [(one.by, one.why) for one in record.withdrawn] == [("Pat", "it never left")]
    assert "it never left" in _words(test)


def test_days_on_the_page_are_as_in_the_united_states_and_programs_by_name(engine: Engine) -> None:
    words = _words(_page(engine))
    assert "Illinois: Thu Dec 10, 2026: due by the vehicle list." in words
    assert "Inspection due: Thu Dec 10." in words
    assert "Test by: Thu Dec 10, in 15 days." in words
    assert "1 monitor not complete, 1 may be: none to spare." in words
