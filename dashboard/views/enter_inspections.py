"""Enter on the look-up page what an official inspection gave, and what was seen by eye."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any, Literal
from zoneinfo import ZoneInfo

import streamlit as st

from dashboard import present
from dashboard.views import enter_absences, inspection_rows
from dashboard.views.board import Board, attempt, say, table
from dashboard.views.inspection_rows import SEEN
from gateway.facts import FULL_NAMES, Monitor
from ingest import commands, queries
from ingest.domain.drivers import driver_words
from ingest.domain.inspections import Inspection, Result
from ingest.domain.observed_lamp import ObservedLamp
from ingest.domain.vehicles import Vehicle

_US: Literal["MM/DD/YYYY"] = "MM/DD/YYYY"
_LOOKS = (
    ("key_on", "Lamp lit at key-on, engine off"),
    ("running", "Lamp lit while running"),
    ("connector", "Data link connector there, untampered and not loose"),
)


def show(board: Board, record: queries.VehicleRecord, now: datetime) -> None:
    """What is due and why, what was entered so far, and the forms."""
    vehicle = record.standing.vehicle
    zone = ZoneInfo(vehicle.depot_tz)
    today = now.astimezone(zone).date()
    programs = board.programs
    if record.drivers:
        say(f"Driver today: {'; '.join(map(driver_words, record.drivers))}.")
    st.subheader("Inspections due", anchor=False)
    table([inspection_rows.due_row(one, programs, today) for one in record.standing.dues])
    for due in record.standing.dues:
        name = inspection_rows.program_name(programs, due.program)
        for why in (*due.reasons, due.extension):
            st.markdown(f"- {present.escape(f'{name}: {why}')}")
    st.subheader("Inspection results", anchor=False)
    results = reversed(record.inspections)
    rows = [inspection_rows.result_row(one, programs, today) for one in results]
    table(rows, "No result was entered.")
    with st.expander("Enter an inspection result"):
        _result_form(board, vehicle, today)
    st.subheader("Lamp and connector as seen on a walk-around", anchor=False)
    looks = [inspection_rows.look_row(one, zone, now) for one in record.looks]
    table(looks, "Nobody has entered a look.")
    with st.expander("Enter a look at lamp and connector"):
        _look_form(board, vehicle)
    enter_absences.show(board, record, today)
    enter_absences.show_withdrawn(board, record, now)
    if record.doubts:
        st.subheader("Does not fit the vehicle list, or the vehicle's own past", anchor=False)
        table([inspection_rows.doubt_row(one, zone, now) for one in record.doubts])


def _result_form(board: Board, vehicle: Vehicle, today: date) -> None:
    def key(name: str) -> str:
        return f"result_{name}_{vehicle.id}"

    programs = sorted(board.programs)
    with st.form(key("form"), border=False):
        left, right = st.columns(2)
        left.selectbox(
            "Program",
            programs,
            programs.index(vehicle.program),
            key=key("program"),
            format_func=lambda name: board.programs[name].short,
        )
        left.date_input("Day of the test", today, max_value=today, key=key("day"), format=_US)
        left.selectbox("Result", [one.value for one in Result], key=key("result"))
        left.text_input("Failed for codes", placeholder="P0420 P0442", key=key("codes"))
        right.multiselect(
            "Rejected for monitors", list(Monitor), format_func=FULL_NAMES.__getitem__,
            key=key("monitors"),
        )  # fmt: skip
        right.text_input("Certificate", key=key("certificate"))
        right.date_input("Certificate valid until", None, key=key("valid_until"), format=_US)
        right.date_input(
            "Retest by, as the station wrote it", None, key=key("retest_by"), format=_US
        )
        st.text_input("Note", key=key("note"))
        st.form_submit_button("Enter the result", on_click=_enter, args=(board, vehicle))


def _enter(board: Board, vehicle: Vehicle) -> None:
    def held(name: str) -> Any:
        return st.session_state[f"result_{name}_{vehicle.id}"]

    def command() -> str:
        entry = Inspection(
            program=held("program"),
            day=held("day"),
            result=Result(held("result")),
            codes=tuple(held("codes").upper().replace(",", " ").split()),
            monitors=tuple(held("monitors")),
            certificate=held("certificate").strip() or None,
            valid_until=held("valid_until"),
            retest_by=held("retest_by"),
            note=held("note").strip(),
        )
        number = commands.record_inspection(
            board.engine,
            _id(vehicle),
            entry,
            set(board.programs),
            actor=board.actor,
            now=board.clock(),
            request_id=board.request_id(f"inspection {vehicle.id}"),
        )
        return f"Unit {vehicle.unit}: result {number} is entered."

    attempt(command)


def _look_form(board: Board, vehicle: Vehicle) -> None:
    with st.form(f"look_form_{vehicle.id}", border=False):
        known = [one.name for one in queries.technicians(board.engine, vehicle.depot)]
        st.selectbox(
            "Looked at by", list(dict.fromkeys([board.actor, *known])),
            key=f"look_by_{vehicle.id}",
        )  # fmt: skip
        for name, words in _LOOKS:
            st.radio(words, list(SEEN), key=f"look_{name}_{vehicle.id}", horizontal=True)
        st.form_submit_button("Enter the look", on_click=_looked, args=(board, vehicle))
    say("Look with the parking brake set; nobody reads a screen while driving.")


def _looked(board: Board, vehicle: Vehicle) -> None:
    def seen(name: str) -> bool | None:
        return SEEN[st.session_state[f"look_{name}_{vehicle.id}"]]

    def command() -> str:
        now = board.clock()
        by = str(st.session_state[f"look_by_{vehicle.id}"])
        look = ObservedLamp(now, seen("key_on"), seen("running"), by, seen("connector"))
        commands.record_walk_around(
            board.engine,
            _id(vehicle),
            look,
            now=now,
            request_id=board.request_id(f"walk-around {vehicle.id}"),
        )
        return f"Unit {vehicle.unit}: the look is entered."

    attempt(command)


def _id(vehicle: Vehicle) -> int:
    assert vehicle.id is not None
    return vehicle.id
