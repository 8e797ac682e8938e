"""Drivers by day: every fault named, all or nothing, and gone when no longer needed."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy import Engine, select
from streamlit.testing.v1 import AppTest

from dashboard.views.board import Board
from ingest import queries
from ingest.driver_lists import DriversRefused, load_drivers
from ingest.store.database import read
from ingest.store.schema import audit, driver_day
from ingest.store.sweeping import sweep
from tests.support.reports import NOW, ecu, load, opened, report, store, vehicle

PROGRAMS = queries.load_programs()
HEADING = "unit,day,name,phone,language,take_home\n"
TODAY = date(2026, 11, 25)


@pytest.fixture
def engine(store_url_of_either: str) -> Iterator[Engine]:
    with opened(store_url_of_either) as engine:
        load(engine, vehicle(1), vehicle(2))
        yield engine


def _load(engine: Engine, path: Path, text: str, request_id: str = "d1") -> int:
    (path / "drivers.csv").write_text(HEADING + text, encoding="utf-8")
    return load_drivers(engine, path / "drivers.csv", actor="clerk", now=NOW, request_id=request_id)


def _stored(engine: Engine) -> list[tuple[str, str]]:
    with read(engine) as connection:
        rows = connection.execute(select(driver_day).order_by(driver_day.c.day, driver_day.c.name))
        return [(row.day, row.name) for row in rows]


def test_the_driver_of_the_day_stands_in_the_record(engine: Engine, tmp_path: Path) -> None:
    text = f"U001,{TODAY},Driver A,+1 555 0100,es-MX,yes\nU001,2026-11-26,Driver B,,,\n"
    assert _load(engine, tmp_path, text) == 2
    record = queries.record(engine, 1, NOW, PROGRAMS)
    assert record is not None
    (one,) = record.drivers
    assert (one.name, one.phone, one.language, one.take_home) == (
        "Driver A", "+1 555 0100", "es-MX", True,
    )  # fmt: skip


def test_a_new_list_replaces_a_unit_s_day_and_nothing_else(engine: Engine, tmp_path: Path) -> None:
    _load(engine, tmp_path, f"U001,{TODAY},A,,,\nU002,{TODAY},B,,,\n")
    _load(engine, tmp_path, f"U001,{TODAY},C,,,\n", "d2")
    assert _stored(engine) == [(str(TODAY), "B"), (str(TODAY), "C")]


def test_every_fault_is_named_with_its_row_and_nothing_is_loaded(
    engine: Engine, tmp_path: Path
) -> None:
    text = f"U001,{TODAY},A,,,\nU001,{TODAY},a,,,\nU009,tomorrow,,call me,Spanish please,perhaps\n"
    with pytest.raises(DriversRefused) as refused:
        _load(engine, tmp_path, text)
    told = str(refused.value)
    assert "line 3: name" in told
    for name in ("unit", "day", "name", "phone", "language", "take_home"):
        assert f"line 4: {name}" in told
    assert _stored(engine) == []


@pytest.mark.parametrize(("days", "kept"), [(3, 1), (4, 0)])
def test_an_entry_goes_three_days_after_its_day(
    engine: Engine, tmp_path: Path, days: int, kept: int
) -> None:
    _load(engine, tmp_path, f"U001,{TODAY},A,,,\n")
    later: datetime = NOW + timedelta(days=days)
    sweep(engine, later)
    assert len(_stored(engine)) == kept


def test_the_audit_holds_no_name(engine: Engine, tmp_path: Path) -> None:
    _load(engine, tmp_path, f"U001,{TODAY},Driver A,+1 555 0100,,\n")
    with read(engine) as connection:
        row = connection.execute(select(audit).where(audit.c.command == "load_drivers")).one()
    assert "Driver A" not in f"{row.payload} {row.result}"


@pytest.mark.parametrize(
    ("moment", "driver"),
    [
        (datetime(2026, 11, 25, 5, 59, 59, tzinfo=UTC), "A"),  # Tuesday, 11:59 PM in Chicago
        (datetime(2026, 11, 25, 6, 0, tzinfo=UTC), "B"),  # Wednesday begins there
        (datetime(2026, 11, 26, 6, 0, tzinfo=UTC), None),
    ],
)
def test_who_drives_now_goes_by_the_depot_s_own_day(
    engine: Engine, tmp_path: Path, moment: datetime, driver: str | None
) -> None:
    _load(engine, tmp_path, "U001,2026-11-24,A,,,\nU001,2026-11-25,B,,es-MX,yes\n")
    found = queries.drivers_now(engine, moment)
    assert [one.name for one in found.get(1, ())] == ([driver] if driver else [])


def _alerts_page(board):
    from dashboard.views import answer_lamp_alerts

    answer_lamp_alerts.show(board)


def test_whom_to_call_stands_beside_what_to_tell(engine: Engine, tmp_path: Path) -> None:
    _load(engine, tmp_path, f"U001,{TODAY},Driver A,+1 555 0100,es-MX,yes\n")
    lit = {"7E8": ecu(mil=True, confirmed=["P0420"])}
    store(engine, report(1, 1, ecus=lit), report(2, 1, ecus=lit))
    depots = queries.depots(engine)
    board = Board(engine, PROGRAMS, depots[0], depots, lambda: "Pat", "test-session", lambda: NOW)
    test = AppTest.from_function(_alerts_page, kwargs={"board": board}, default_timeout=30).run()
    assert not test.exception
    said = [one.value.replace("\\", "") for one in test.markdown]
    assert [text for text in said if text.startswith("Driver today")] == [
        "Driver today: Driver A, +1 555 0100, es-MX, takes it home."
    ]


def test_the_name_counts_as_it_stands_when_the_button_is_pressed(engine: Engine) -> None:
    store(engine, report(1, 1, ecus={"7E8": ecu(mil=True, confirmed=["P0420"])}))
    depots, names = queries.depots(engine), ["board"]
    board = Board(engine, PROGRAMS, depots[0], depots, lambda: names[-1], "test", lambda: NOW)
    test = AppTest.from_function(_alerts_page, kwargs={"board": board}, default_timeout=30).run()
    names.append("Dana")  # typed after the page was drawn
    next(one for one in test.button if one.label == "Acknowledge").click().run()
    record = queries.record(engine, 1, NOW, PROGRAMS)
    assert record is not None
    assert record.alert_events[-1].actor == "Dana"
