"""Enter on the look-up page that a vehicle is out of the area, and take back a wrong entry."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any, Literal
from zoneinfo import ZoneInfo

import streamlit as st

from dashboard.views import inspection_rows
from dashboard.views.board import Board, attempt, say, table
from ingest import commands, queries
from ingest.domain.inspections import EntryKind, Inspection
from ingest.domain.observed_lamp import ObservedLamp
from ingest.domain.out_of_area import OutOfArea, Status
from ingest.domain.vehicles import Vehicle

_US: Literal["MM/DD/YYYY"] = "MM/DD/YYYY"


def show(board: Board, record: queries.VehicleRecord, today: date) -> None:
    """Where it was, and the form."""
    vehicle = record.standing.vehicle
    st.subheader("Out of the area", anchor=False)
    rows = [
        inspection_rows.absence_row(one, board.programs, today) for one in reversed(record.absences)
    ]
    table(rows, "It was never entered as out of its program's area.")
    with st.expander("Enter that it is out of the area"):
        _form(board, vehicle, today)


def _form(board: Board, vehicle: Vehicle, today: date) -> None:
    def key(name: str) -> str:
        return f"away_{name}_{vehicle.id}"

    with st.form(key("form"), border=False):
        left, right = st.columns(2)
        left.selectbox(
            "What is done", list(Status), format_func=lambda one: str(one.value), key=key("status")
        )
        left.text_input("Where it is", key=key("place"))
        left.date_input("From", today, key=key("since"), format=_US)
        left.date_input("Until, if known", None, key=key("until"), format=_US)
        right.text_input("Proof on file, reference", key=key("proof"))
        right.date_input("Date of the proof", None, max_value=today, key=key("day"), format=_US)
        right.text_input("Note", key=key("note"))
        say("The due date stands until the agency says otherwise: ask the agency.")
        st.form_submit_button("Enter the absence", on_click=_enter, args=(board, vehicle))


def _enter(board: Board, vehicle: Vehicle) -> None:
    def held(name: str) -> Any:
        return st.session_state[f"away_{name}_{vehicle.id}"]

    def command() -> str:
        entry = OutOfArea(
            program=vehicle.program,
            status=held("status"),
            since=held("since"),
            place=held("place").strip(),
            until=held("until"),
            proof=held("proof").strip() or None,
            proof_day=held("day"),
            note=held("note").strip(),
        )
        assert vehicle.id is not None
        number = commands.record_out_of_area(
            board.engine,
            vehicle.id,
            entry,
            set(board.programs),
            actor=board.actor,
            now=board.clock(),
            request_id=board.request_id(f"out of area {vehicle.id}"),
        )
        return f"Unit {vehicle.unit}: out of area {number} is entered."

    attempt(command)


def show_withdrawn(board: Board, record: queries.VehicleRecord, now: datetime) -> None:
    """What was taken back, and the form to take back a wrong entry."""
    vehicle = record.standing.vehicle
    zone = ZoneInfo(vehicle.depot_tz)
    if record.withdrawn:
        st.subheader("Withdrawn entries", anchor=False)
        table([inspection_rows.withdrawn_row(one, zone, now) for one in record.withdrawn])
    entries = inspection_rows.entries_that_count(record, zone, now)
    if not entries:
        return
    with (
        st.expander("Withdraw a wrong entry"),
        st.form(f"withdraw_form_{vehicle.id}", border=False),
    ):
        st.selectbox("Entry", list(entries), key=f"withdraw_entry_{vehicle.id}")
        st.text_input("Why it is wrong", key=f"withdraw_why_{vehicle.id}")
        say("It counts no more; the entry, your name and the reason are kept.")
        st.form_submit_button("Withdraw it", on_click=_withdraw, args=(board, vehicle, entries))


def _withdraw(board: Board, vehicle: Vehicle, entries: dict[str, Any]) -> None:
    def command() -> str:
        chosen = entries[st.session_state[f"withdraw_entry_{vehicle.id}"]]
        kind = _kind(chosen)
        assert vehicle.id is not None
        commands.withdraw_entry(
            board.engine,
            vehicle.id,
            kind,
            chosen.id,
            st.session_state[f"withdraw_why_{vehicle.id}"],
            actor=board.actor,
            now=board.clock(),
            request_id=board.request_id(f"withdraw {kind} {chosen.id}"),
        )
        return f"Unit {vehicle.unit}: {kind} {chosen.id} counts no more."

    attempt(command)


def _kind(entry: Inspection | ObservedLamp | OutOfArea) -> EntryKind:
    if isinstance(entry, Inspection):
        return "result"
    return "walk-around" if isinstance(entry, ObservedLamp) else "out of area"
