"""The week's bays: what is booked, what is proposed and why, and the form to book by hand."""

from __future__ import annotations

from datetime import date, datetime, timedelta

import streamlit as st

from dashboard import present, reads
from dashboard.planning.explain import sentence, us_date
from dashboard.planning.model import SLOT_MINUTES, Depot, Placement
from dashboard.views.board import Board, attempt, refuse, say, table
from ingest import commands, queries

WEEKS_SHOWN = 4
_WIDTHS = (2.2, 1.0, 1.4, 6.4, 1.6)


def show(board: Board) -> None:
    """The week below today: choose it, read it, book and cancel in it."""
    now = board.clock()
    depot = reads.planning_depot(board.depot)
    first = reads.first_open_week(depot, now)
    this = first if first <= now.astimezone(depot.zone).date() else first - timedelta(days=7)
    mondays = [this + timedelta(days=7 * n) for n in range(WEEKS_SHOWN)]
    st.header("The week", anchor=False)
    monday = st.selectbox(
        "Week",
        mondays,
        index=mondays.index(first),
        format_func=lambda day: f"{us_date(day)} to {us_date(day + timedelta(days=6))}",
        key="week",
        width=280,
    )
    week = reads.read_week(board.engine, board.depot, monday, now, board.programs)
    _hours(board)
    _days(board, week, monday)
    st.subheader("Without a place this week", anchor=False)
    left = [present.unplaced_row(job, why, now) for job, why in week.plan.unplaced]
    table(left, "All work that is known has a place.")
    _form(board, depot, monday, now)


def _hours(board: Board) -> None:
    bays = ", ".join(board.depot.bays)
    opens, closes = (present.clock_text(at) for at in (board.depot.opens, board.depot.closes))
    say(
        f"Bays {bays}; open {opens} to {closes}, {board.depot.tz}. The most urgent deadline comes "
        "first; what is booked is never moved. A proposal is only kept once it is booked."
    )


def _days(board: Board, week: reads.Week, monday: date) -> None:
    if not week.plan.placements:
        say("Nothing is booked and no work is proposed in this week.")
    for day in (monday + timedelta(days=n) for n in range(7)):
        found = [
            one
            for one in week.plan.placements
            if one.start.astimezone(week.depot.zone).date() == day
        ]
        if found:
            st.markdown(f"**{present.escape(us_date(day))}**")
        for placement in found:
            _line(board, week, placement)


def _line(board: Board, week: reads.Week, placement: Placement) -> None:
    booked = week.appointment(placement)
    name = f"{placement.vehicle_id}_{placement.start:%Y%m%d%H%M}"
    with st.container(border=True, key=f"line_{name}"):
        when, bay, unit, why, button = st.columns(_WIDTHS, vertical_alignment="center")
        when.markdown(present.escape(present.slot_text(placement, week.depot)))
        bay.markdown(present.escape(f"Bay {placement.bay}"))
        state = "■ booked" if placement.booked else "□ proposed"
        unit.markdown(f"**{present.escape(placement.unit)}**  \n{state}")
        why.markdown(present.escape(sentence(placement.work, placement.reason)))
        if booked is not None:
            button.button("Cancel", key=f"cancel_{name}", on_click=_cancel, args=(board, booked))
        elif not placement.booked:
            button.button(
                "Book this", key=f"book_{name}", on_click=_accept, args=(board, placement)
            )


def _accept(board: Board, placement: Placement) -> None:
    reason = sentence(placement.work, placement.reason)
    _book(board, placement.vehicle_id, placement.unit, placement.bay, placement.slots, reason)


def _book(
    board: Board,
    vehicle_id: int,
    unit: str,
    bay: str,
    slots: tuple[datetime, ...],
    reason: str,
) -> None:
    def command() -> str:
        commands.book(
            board.engine,
            vehicle_id,
            board.depot.name,
            bay,
            slots[0],
            slots,
            len(slots) * SLOT_MINUTES / 60,
            reason,
            actor=board.actor,
            now=board.clock(),
            request_id=board.request_id(f"book {vehicle_id} {bay} {slots[0].isoformat()}"),
        )
        when = present.moment(slots[0], board.zone, board.clock())
        return f"Booked: unit {unit}, {when}, bay {bay}."

    attempt(command)


def _cancel(board: Board, booked: queries.Appointment) -> None:
    def command() -> str:
        commands.cancel_appointment(
            board.engine,
            booked.id,
            actor=board.actor,
            now=board.clock(),
            request_id=board.request_id(f"cancel {booked.id}"),
            expected_version=booked.version,
        )
        when = present.moment(booked.start, board.zone, board.clock())
        return f"Cancelled: unit {booked.unit}, {when}, bay {booked.bay}."

    attempt(command)


def _form(board: Board, depot: Depot, monday: date, now: datetime) -> None:
    st.subheader("Book a vehicle", anchor=False)
    vehicles = queries.vehicle_list(board.engine, board.depot.name)
    units = {one.unit: one.id for one in vehicles if one.id is not None}
    first = reads.first_slot(depot, monday, now)
    if not units or not board.depot.bays or first is None:
        say("There is no vehicle, no bay or no open hour left to book in this week.")
        return
    starts = reads.quarter_hours(depot)
    with st.form("booking", border=True):
        unit, bay, hours = st.columns(3)
        unit.selectbox("Unit", sorted(units), key="form_unit")
        bay.selectbox("Bay", board.depot.bays, key="form_bay")
        hours.number_input("Hours", 0.25, 12.0, 1.0, 0.25, key="form_hours")
        day, at, work = st.columns(3)
        chosen_day = f"form_day_{monday}"  # another week begins with a day of its own
        chosen_start = f"form_start_{monday}"
        day.date_input("Day", first.date(), key=chosen_day, format="MM/DD/YYYY")
        at.selectbox(
            "Start",
            starts,
            index=starts.index(first.time()),
            format_func=present.clock_text,
            key=chosen_start,
        )
        work.text_input("Work", key="form_work", placeholder="What is to be done")
        keys = (chosen_day, chosen_start)
        st.form_submit_button("Book", key="form_book", on_click=_submit, args=(board, units, keys))


def _submit(board: Board, units: dict[str, int], keys: tuple[str, str]) -> None:
    said = st.session_state
    unit, day, starts = said["form_unit"], said[keys[0]], said[keys[1]]
    if not isinstance(day, date):
        refuse("choose a day.")
        return
    depot = reads.planning_depot(board.depot)
    try:
        slots = reads.slots_for(depot, day, starts, float(said["form_hours"]), board.clock())
    except reads.NotPossible as error:
        refuse(str(error))
        return
    work = str(said.get("form_work") or "").strip() or "Shop visit"
    _book(board, units[unit], unit, said["form_bay"], tuple(slots), sentence(work))
