"""Plan the week: today at one depot, then the week's bays with their reasons."""

from __future__ import annotations

from datetime import timedelta

import streamlit as st

from dashboard import present, reads
from dashboard.views import inspection_rows, week_bays
from dashboard.views.board import Board, message, say, table, told_of_trouble
from ingest import queries
from ingest.domain.verdict import Outcome

DOUBT_DAYS = 14
"""How far back counters that fell, other software and unrecorded clears are shown."""
AHEAD_DAYS = 30
"""How far ahead a due date without an appointment is shown."""


def show(board: Board) -> None:
    """The page."""
    st.title("Plan the week", anchor=False)
    message()
    _today_kept_fresh(board)
    week_bays.show(board)


@st.fragment(run_every="30s")
@told_of_trouble()
def _today_kept_fresh(board: Board) -> None:
    now = board.clock()
    today = queries.fleet_today(board.engine, board.depot.name, now, board.programs)
    local = now.astimezone(board.zone)
    heading = f"Today at {board.depot.name}: {present.moment(local, board.zone, now)}"
    st.subheader(present.escape(heading), anchor=False)
    say(present.heard(today))
    if today.not_heard:
        with st.expander(f"Not heard ({len(today.not_heard)})", key="not_heard"):
            table(present.quiet_rows(today, board.zone))
    _asides(today)
    _do_not_dispatch(board, today)
    _due(board, today)
    _new(board, today)
    _bays_today(board, today)
    _no_appointment(board, today)
    _cannot_tell(board, today)
    _does_not_fit(board, today)
    _shared_causes(board)


def _asides(today: queries.FleetToday) -> None:
    """What did not reach the record, of the whole fleet."""
    if today.dead_letters:
        say(f"{today.dead_letters} messages could not be read and were set aside.")
    if today.lost_reports:
        say(f"{today.lost_reports} readings were lost on the way.")
    if today.unlisted:
        names = ", ".join(one.gateway for one in today.unlisted)
        say(f"Gateways that are not in the vehicle list: {names}.")


def _do_not_dispatch(board: Board, today: queries.FleetToday) -> None:
    st.subheader("Do not dispatch", anchor=False)
    found = [one for one in today.vehicles if one.need.do_not_dispatch]
    if found:
        say(present.FLASHING)
    rows = [present.stop_row(one, board.zone, today.as_of) for one in found]
    table(rows, "No vehicle has a lamp on for a code at which it may flash.")


def _due(board: Board, today: queries.FleetToday) -> None:
    st.subheader("Overdue, or due within 14 days", anchor=False)
    say(present.late_words(today, board.zone))
    found = [one for one in today.vehicles if one.need.soon]
    found.sort(key=lambda one: (one.need.days_left or 0, one.vehicle.unit))
    rows = [present.work_row(one, board.zone, today.as_of) for one in found]
    table(rows, "No inspection is overdue or due within 14 days.")


def _new(board: Board, today: queries.FleetToday) -> None:
    st.subheader("New since the last close", anchor=False)
    closed = reads.last_close(reads.planning_depot(board.depot), today.as_of)
    if closed is None:
        closed = today.as_of - timedelta(days=1)
    say(f"Last close: {present.moment(closed, board.zone, today.as_of)}.")
    found = queries.alerts(
        board.engine, today.as_of, depot_name=board.depot.name, include_closed=True
    )
    fresh = [one for one in found if one.since >= closed]
    table([present.news_row(one, board.zone, today.as_of) for one in fresh], "Nothing new.")


def _bays_today(board: Board, today: queries.FleetToday) -> None:
    st.subheader("Bays today", anchor=False)
    depot = reads.planning_depot(board.depot)
    booked = queries.appointments(board.engine, board.depot.name)
    found = reads.appointments_on(booked, depot, today.as_of)
    table([present.bay_row(one, board.zone) for one in found], "No vehicle is booked today.")


def _no_appointment(board: Board, today: queries.FleetToday) -> None:
    st.subheader(f"Due within {AHEAD_DAYS} days, no appointment", anchor=False)
    found = [
        one
        for one in today.vehicles
        if one.need.days_left is not None
        and one.need.days_left <= AHEAD_DAYS
        and one.next_appointment is None
    ]
    found.sort(key=lambda one: (one.need.days_left or 0, one.vehicle.unit))
    rows = [
        {
            "Unit": present.unit_words(one.vehicle),
            "Test by": present.test_by(one, board.zone, today.as_of),
        }
        for one in found
    ]
    table(rows, "Every vehicle that is due soon has an appointment.")


def _cannot_tell(board: Board, today: queries.FleetToday) -> None:
    st.subheader("Cannot tell, and why", anchor=False)
    found = [one for one in today.vehicles if one.verdict.outcome is Outcome.CANNOT_TELL]
    rows = [present.why_row(one, board.zone, today.as_of) for one in found]
    table(rows, "Every vehicle has said enough for an expected result.")


def _does_not_fit(board: Board, today: queries.FleetToday) -> None:
    since = today.as_of - timedelta(days=DOUBT_DAYS)
    rows = [
        {"Unit": one.unit, **inspection_rows.doubt_row(doubt, board.zone, today.as_of)}
        for one, doubt in queries.doubts_of(board.engine, today.vehicles, since)
    ]
    if rows:
        st.subheader(f"Does not fit, now or in the last {DOUBT_DAYS} days", anchor=False)
        table(rows)


def _shared_causes(board: Board) -> None:
    lines = queries.depot_lines(board.engine, board.depot.name)
    if lines:
        st.subheader("One cause for several vehicles", anchor=False)
        for line in lines:
            say(line)
