"""The three pages on a real store, drawn by Streamlit's own test runner without a browser."""

from __future__ import annotations

import gc
import json
import warnings
from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy import Engine
from streamlit.testing.v1 import AppTest

from dashboard import __main__ as command
from dashboard import reads
from dashboard.exports import DISCLAIMER
from dashboard.views.board import Board
from gateway.facts import Monitor
from ingest import commands, queries
from tests.support.reports import NOW, ecu, load, opened, report, store, vehicle

APP = Path(command.__file__).with_name("app.py")
PROGRAMS = queries.load_programs()
READING = 54 * 24  # report 1,296 is of 2026-11-24 06:00 UTC, a day before NOW
PATIENCE_S = 30


@pytest.fixture
def url(store_url: str) -> str:
    return store_url


@pytest.fixture
def engine(url: str) -> Iterator[Engine]:
    """One depot: a vehicle that may flash, one that would pass, one never heard, one not due."""
    with opened(url) as engine:
        load(
            engine,
            vehicle(1, due_date=date(2026, 12, 1)),
            vehicle(2, due_date=date(2026, 12, 3)),
            vehicle(3, due_date=date(2026, 11, 20)),
            vehicle(4, due_date=date(2027, 6, 1)),
        )
        store(
            engine,
            report(1, READING, ecus={"7E8": ecu(mil=True, confirmed=["P0300"])}),
            report(2, READING),
            report(4, READING, ecus={"7E8": ecu(incomplete=(Monitor.CATALYST,))}),
        )
        yield engine


def _board(engine: Engine, now: datetime = NOW, actor: str = "manager") -> Board:
    depots = queries.depots(engine)
    return Board(engine, PROGRAMS, depots[0], depots, lambda: actor, "test-session", lambda: now)


def _drawn(page: Callable[[Board], None], board: Board) -> AppTest:
    test = AppTest.from_function(page, kwargs={"board": board}, default_timeout=PATIENCE_S)
    test.run()
    assert not test.exception
    return test


def plan_page(board):
    from dashboard.views import plan_the_week

    plan_the_week.show(board)


def look_page(board):
    from dashboard.views import look_up_a_vehicle

    look_up_a_vehicle.show(board)


def alerts_page(board):
    from dashboard.views import answer_lamp_alerts

    answer_lamp_alerts.show(board)


def _text(test: AppTest) -> str:
    """Everything that the page says, without the marks that escape Markdown."""
    parts = [one.value for one in test.markdown] + [one.value for one in test.subheader]
    parts += [one.value for one in (*test.title, *test.header, *test.caption)]
    for table in test.table:
        parts += [str(cell) for row in table.value.to_numpy() for cell in row]
    return "\n".join(parts).replace("\\", "")


def _headings(test: AppTest) -> list[str]:
    return [one.value.replace("\\", "") for one in test.subheader]


def test_the_first_page_opens_on_today_in_the_order_of_urgency(engine: Engine) -> None:
    test = _drawn(plan_page, _board(engine))

    assert _headings(test) == [
        "Today at North: Wed Nov 25, 6:00 AM",
        "Do not dispatch",
        "Overdue, or due within 14 days",
        "New since the last close",
        "Bays today",
        "Due within 30 days, no appointment",
        "Cannot tell, and why",
        "Without a place this week",
        "Book a vehicle",
    ]
    said = _text(test)
    assert "0 of 4 vehicles were heard in the last 24 hours." in said
    assert "Flashing lamp: tell the driver to ease off" in said
    assert "Fri Nov 20, overdue by 5 days" in said
    assert "Never heard from: no reading of this vehicle yet." in said


def test_a_proposal_that_is_booked_stands_after_a_refresh(engine: Engine) -> None:
    board = _board(engine)
    test = _drawn(plan_page, board)
    proposals = [one for one in test.button if one.label == "Book this"]
    proposals[0].click().run()

    assert any("Booked: unit U003" in one.value.replace("\\", "") for one in test.markdown)
    (booked,) = queries.appointments(engine, "North", "2026-W48")
    assert (booked.unit, booked.created_by) == ("U003", "manager")
    assert booked.reason

    again = _drawn(plan_page, board)
    assert "■ booked" in _text(again)
    assert len([one for one in again.button if one.label == "Cancel"]) == 1


def test_a_cancelled_appointment_frees_its_bay_and_can_be_booked_again(engine: Engine) -> None:
    test = _drawn(plan_page, _board(engine))
    for label in ("Book this", "Cancel", "Book this"):
        next(one for one in test.button if one.label == label).click().run()
        assert not test.exception

    assert len(queries.appointments(engine, "North")) == 1


def test_a_proposal_someone_else_took_is_refused_in_words(engine: Engine) -> None:
    test = _drawn(plan_page, _board(engine))
    proposal = next(one for one in test.button if one.label == "Book this")
    start = reads.read_week(
        engine, queries.depots(engine)[0], date(2026, 11, 23), NOW, PROGRAMS
    ).plan.placements[0].start  # fmt: skip
    commands.book(
        engine, 4, "North", "1", start, [start], 0.25, "Another.",
        actor="someone else", now=NOW, request_id="first",
    )  # fmt: skip
    proposal.click().run()

    assert "Not done: bay 1 of North is taken" in _text(test)
    assert len(queries.appointments(engine, "North")) == 1


@pytest.mark.parametrize(
    ("day", "hours", "said"),
    [
        pytest.param(date(2026, 11, 30), 2.0, "Booked: unit U004", id="open day"),
        pytest.param(date(2026, 11, 29), 2.0, "is not open for 2 h", id="Sunday"),
        pytest.param(date(2026, 11, 30), 11.0, "is not open for 11 h", id="longer than the day"),
        pytest.param(date(2026, 11, 24), 1.0, "that time has passed", id="yesterday"),
    ],
)
def test_the_form_books_a_vehicle_by_hand_within_the_open_hours(
    engine: Engine, day: date, hours: float, said: str
) -> None:
    test = _drawn(plan_page, _board(engine))
    test.selectbox(key="form_unit").set_value("U004")
    test.selectbox(key="form_bay").set_value("2")
    test.date_input(key="form_day_2026-11-23").set_value(day)
    test.number_input(key="form_hours").set_value(hours)
    test.text_input(key="form_work").set_value("New tires")
    next(one for one in test.button if one.label == "Book").click().run()

    assert said in _text(test)
    booked = queries.appointments(engine, "North")
    assert [one.reason for one in booked] == (["New tires."] if said.startswith("Booked") else [])


def test_an_alert_says_what_to_tell_the_driver_and_is_acknowledged(engine: Engine) -> None:
    test = _drawn(alerts_page, _board(engine))
    said = _text(test)
    assert "▲ High priority: unit U001, North" in said
    assert "If the lamp flashes: ease off" in said
    assert "Never send a vehicle with a flashing lamp on a drive" in said

    next(one for one in test.button if one.label == "Acknowledge").click().run()

    assert not test.exception
    assert "Unit U001: the alert is now acknowledged." in _text(test)
    (alert,) = queries.alerts(engine, NOW)
    assert alert.state == "acknowledged"
    assert not [one for one in test.button if one.label == "Acknowledge"]


def test_an_alert_that_changed_meanwhile_is_not_acknowledged_blindly(engine: Engine) -> None:
    test = _drawn(alerts_page, _board(engine))
    button = next(one for one in test.button if one.label == "Acknowledge")
    (alert,) = queries.alerts(engine, NOW)
    commands.shelve_alert(
        engine, alert.id, until=NOW + timedelta(hours=1), reason="parts ordered",
        actor="other", now=NOW, request_id="s", expected_version=alert.version,
    )  # fmt: skip
    button.click().run()

    assert "changed meanwhile" in _text(test)
    assert queries.alerts(engine, NOW)[0].state == "unacknowledged"


def test_an_alert_is_held_with_a_reason_until_the_morning_of_a_day(engine: Engine) -> None:
    test = _drawn(alerts_page, _board(engine))
    (alert,) = queries.alerts(engine, NOW)
    name = f"{alert.id}_{alert.version}"
    next(one for one in test.button if one.label == "Hold").click().run()
    assert "Not done: reason: ''" in _text(test)

    test.text_input(key=f"hold_why_{name}").set_value("part ordered")
    test.date_input(key=f"hold_day_{name}").set_value(date(2026, 11, 27))
    next(one for one in test.button if one.label == "Hold").click().run()
    assert not test.exception
    (after,) = queries.alerts(engine, NOW)
    assert (after.held, after.shelved_reason) == (True, "part ordered")
    assert after.shelved_until == datetime(2026, 11, 27, 12, tzinfo=UTC)  # 6 in Chicago
    said = _text(test)
    assert "Held until Fri Nov 27, 6:00 AM: part ordered." in said
    assert not [one for one in test.button if one.label == "Hold"]
    (back,) = queries.alerts(engine, datetime(2026, 11, 27, 12, 1, tzinfo=UTC))
    assert not back.held


@pytest.mark.parametrize("asked", ["U001", "u001", "flt 001", "1FLEET00000000001"])
def test_a_vehicle_is_found_by_unit_plate_or_vin(engine: Engine, asked: str) -> None:
    test = _drawn(look_page, _board(engine))
    test.text_input(key="vehicle_text").set_value(asked).run()

    said = _text(test)
    assert not test.exception
    assert "Expected OBD result: today unit U001 would fail (the program's word: fail)." in said
    assert "40 CFR 85.2207(c)" in said
    assert "P0300" in said
    assert "With the key on and the engine off" in said
    assert "evaporative system" in said
    assert "Do not clear codes to get through." in said
    assert "Vent the exhaust" in said
    assert DISCLAIMER in said


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ("U003", "Expected OBD result: cannot tell for unit U003."),
        ("U004", "today unit U004 would pass"),
        ("Z9", "No vehicle of the list has the unit number, plate or VIN Z9."),
        ("", DISCLAIMER),
    ],
    ids=["never heard", "one monitor open", "unknown", "nothing asked"],
)
def test_a_look_up_always_has_an_answer(engine: Engine, asked: str, words: str) -> None:
    test = _drawn(look_page, _board(engine))
    test.text_input(key="vehicle_text").set_value(asked).run()
    assert not test.exception
    assert words in _text(test)


def test_words_of_the_vehicle_list_are_text_and_never_markup(url: str) -> None:
    with opened(url) as engine:
        load(engine, vehicle(1, unit="**7**", plate=":red[x]", due_date=date(2026, 11, 30)))
        test = _drawn(look_page, _board(engine))
        test.text_input(key="vehicle_text").set_value("**7**").run()
        assert any(r"\:red\[x\]" in one.value for one in test.markdown)


@pytest.fixture
def app(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[[str | None], AppTest]]:
    import streamlit as st

    def start(url: str | None) -> AppTest:
        if url is None:
            monkeypatch.delenv(reads.DATABASE_VARIABLE, raising=False)
        else:
            monkeypatch.setenv(reads.DATABASE_VARIABLE, url)
        return AppTest.from_file(str(APP), default_timeout=PATIENCE_S)

    yield start
    with warnings.catch_warnings():
        # Nobody disposes of the engine in the cache, and psycopg says so of its connections.
        warnings.simplefilter("ignore", ResourceWarning)
        st.cache_resource.clear()
        gc.collect()


def test_the_depot_comes_from_the_address(url: str, app: Callable[[str | None], AppTest]) -> None:
    with opened(url) as engine:
        load(engine, vehicle(1), vehicle(2, depot="South", depot_tz="America/New_York"))
    test = app(url)
    test.query_params["depot"] = "South"
    test.run()

    assert not test.exception
    assert test.selectbox(key="depot").value == "South"
    assert "Today at South" in _text(test)
    test.selectbox(key="depot").set_value("North").run()
    assert "Today at North" in _text(test)
    assert test.query_params["depot"] in ("North", ["North"])


def test_an_empty_store_says_how_to_load_the_vehicle_list(
    url: str, app: Callable[[str | None], AppTest]
) -> None:
    test = app(url).run()
    assert "The vehicle list is empty." in _text(test)


def test_a_database_that_is_not_ours_is_named(
    tmp_path: Path, app: Callable[[str | None], AppTest]
) -> None:
    (tmp_path / "other.sqlite3").write_bytes(b"no database at all" * 10)
    test = app(f"sqlite:///{tmp_path / 'other.sqlite3'}").run()
    assert "The board cannot start" in _text(test)
    assert "not a database of this program" in _text(test)


def test_the_page_script_alone_says_how_to_start_the_board(
    app: Callable[[str | None], AppTest],
) -> None:
    assert "python -m dashboard" in _text(app(None).run())


def test_the_plan_command_prints_and_writes_the_week(
    engine: Engine, url: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pdf, ics = tmp_path / "week.pdf", tmp_path / "week.ics"
    asked = ["plan", "--database", url, "--as-of", NOW.isoformat(), "--week", "2026-W48"]
    assert command.main([*asked, "--pdf", str(pdf), "--ics", str(ics)]) == 0
    printed = capsys.readouterr().out
    assert "North: week of Mon Nov 23 (2026-W48)" in printed
    assert "unit U001  proposed: Repair P0300" in printed
    assert printed.rstrip().endswith(DISCLAIMER)
    assert pdf.read_bytes().startswith(b"%PDF-")
    assert ics.read_bytes().startswith(b"BEGIN:VCALENDAR")

    assert command.main([*asked, "--depot", "north", "--json"]) == 0
    whole = json.loads(capsys.readouterr().out)
    assert whole["schema"] == "plan/1"
    assert whole["as_of"] == "2026-11-25T12:00:00Z"
    assert whole["items"][0]["placements"][0]["unit"] == "U003"


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (["plan", "--depot", "Nowhere"], 3, "--depot: 'Nowhere', expected North"),
        (["plan", "--pdf", "no-such-folder/x.pdf"], 3, "--pdf"),
        (["plan", "--database", "sqlite:////no/such/folder/x.sqlite3"], 4, "no such database file"),
    ],
    ids=["unknown depot", "cannot write", "no database"],
)
def test_a_plan_that_cannot_be_made_says_why(
    engine: Engine,
    url: str,
    capsys: pytest.CaptureFixture[str],
    arguments: list[str],
    code: int,
    words: str,
) -> None:
    given = arguments if "--database" in arguments else [*arguments, "--database", url]
    assert command.main(given) == code
    assert words in capsys.readouterr().err


@pytest.mark.parametrize(
    "arguments",
    [
        ["plan", "--week", "2026-48"],
        ["plan", "--as-of", "yesterday"],
        ["--port", "70000"],
        ["--", "--server.address=0.0.0.0"],
    ],
    ids=["week", "time", "port", "another address"],
)
def test_a_wrong_option_is_a_usage_error(arguments: list[str]) -> None:
    with pytest.raises(SystemExit) as left:
        command.main(arguments)
    assert left.value.code == 2


def test_a_site_adds_programs_of_its_own(tmp_path: Path) -> None:
    folder = tmp_path / "programs"
    folder.mkdir()
    source = Path(queries.__file__).with_name("programs") / "us-federal.toml"
    (folder / "county.toml").write_text(source.read_text(encoding="utf-8"), encoding="utf-8")
    (tmp_path / "site.toml").write_text(f"programs_dir = {str(folder)!r}\n", encoding="utf-8")

    assert queries.load_site(tmp_path).programs_dir == folder
    assert set(queries.load_programs(folder)) == {*queries.load_programs(), "county"}
