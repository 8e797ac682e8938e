"""A database that is locked or damaged, as commands, the board and timed jobs tell people of it."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest
from sqlalchemy import Engine
from streamlit.testing.v1 import AppTest

from dashboard.views.board import Board
from ingest import queries
from ingest.__main__ import main
from ingest.jobs import schedule
from ingest.store import database
from tests.support.reports import NOW, ecu, load, opened, report, store, vehicle

DAMAGED = "This cannot be shown now: database: file is not a database."


@pytest.fixture
def lite(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Engine]:
    """A store in a file, with one lamp on; nobody waits long for a lock."""
    monkeypatch.setattr(database, "BUSY_TIMEOUT_S", 0.05)
    with opened(f"sqlite:///{tmp_path}/fleet.sqlite3") as engine:
        load(engine, vehicle(1))
        store(engine, report(1, 1, ecus={"7E8": ecu(mil=True, confirmed=["P0420"])}))
        yield engine


@contextmanager
def _locked(engine: Engine) -> Iterator[None]:
    with closing(engine.raw_connection()) as other:
        other.cursor().execute("BEGIN IMMEDIATE")
        yield


def _damage(engine: Engine, folder: Path) -> None:
    engine.dispose()
    (folder / "fleet.sqlite3").write_bytes(b"no database at all" * 10)


def plan_page(board):
    from dashboard.views import plan_the_week
    from dashboard.views.board import told_of_trouble

    with told_of_trouble():
        plan_the_week.show(board)


def alerts_page(board):
    from dashboard.views import answer_lamp_alerts

    answer_lamp_alerts.show(board)


def _page(page: Callable[[Board], None], engine: Engine) -> AppTest:
    depots = queries.depots(engine)
    programs = queries.load_programs()
    board = Board(engine, programs, depots[0], depots, lambda: "R", "a session", lambda: NOW)
    test = AppTest.from_function(page, kwargs={"board": board}, default_timeout=30).run()
    assert not test.exception
    return test


def _text(test: AppTest) -> str:
    return "\n".join(one.value for one in test.markdown).replace("\\", "")


def _acknowledge(test: AppTest) -> str:
    next(one for one in test.button if one.label == "Acknowledge").click().run()
    assert not test.exception
    return _text(test)


def test_a_command_that_meets_a_lock_says_so_and_changes_nothing(
    lite: Engine, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["repair", "U001", "--codes", "P0420", "--done", "Catalyst replaced", "--by", "R"]
    words += ["--data", str(tmp_path)]
    with _locked(lite):
        assert main(words) == 4
    assert capsys.readouterr().err == "error: database: database is locked\n"

    assert main(words) == 0


def test_a_button_that_meets_a_lock_says_so_and_works_once_it_is_gone(lite: Engine) -> None:
    test = _page(alerts_page, lite)
    with _locked(lite):
        said = _acknowledge(test)
    assert "Not done: database: database is locked." in said

    assert "the alert is now acknowledged" in _acknowledge(test)


@pytest.mark.parametrize("page", [plan_page, alerts_page])
def test_a_page_that_is_open_when_the_database_is_damaged_says_so(
    page: Callable[[Board], None], lite: Engine, tmp_path: Path
) -> None:
    test = _page(page, lite)
    assert DAMAGED not in _text(test)
    _damage(lite, tmp_path)

    test.run()

    assert not test.exception
    assert DAMAGED in _text(test)


def test_a_timed_job_that_meets_trouble_waits_for_its_next_turn(
    lite: Engine, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    _damage(lite, tmp_path)
    tried = threading.Event()

    def work() -> None:
        try:
            queries.vehicle_list(lite)
        finally:
            tried.set()

    with caplog.at_level(logging.WARNING, "ingest.jobs"):
        scheduler = schedule({"look": (work, 1)})
        assert tried.wait(10)
        scheduler.shutdown(wait=True)

    words = [one.getMessage() for one in caplog.records if one.name == "ingest.jobs"]
    wanted = "the timed job 'look' waits for its next turn: database: file is not a database"
    assert words[0] == wanted
    assert all(one.exc_info is None for one in caplog.records if one.name == "ingest.jobs")
