"""Enter on the look-up page what the shop did, for which codes, and whether it cleared them."""

from __future__ import annotations

from datetime import date, datetime, time
from typing import Any, Literal
from zoneinfo import ZoneInfo

import streamlit as st

from dashboard.views.board import Board, attempt, say
from ingest import commands, queries
from ingest.domain.repairs import Repair
from ingest.domain.vehicles import Vehicle

_US: Literal["MM/DD/YYYY"] = "MM/DD/YYYY"
_CLEARED = {"Not said": None, "Yes": True, "No": False}
BEFORE_CLEARING = (
    "Before clearing codes: keep the freeze frame, as clearing erases it and sets every monitor "
    "back. Never clear codes without a repair. Follow the maker's service instructions."
)


def show(board: Board, record: queries.VehicleRecord, now: datetime) -> None:
    """The form, with the codes that stand now filled in."""
    standing = record.standing
    vehicle, picture = standing.vehicle, standing.picture
    codes = sorted(picture.codes("confirmed") or ()) if picture is not None else []
    local = now.astimezone(ZoneInfo(vehicle.depot_tz))

    def key(name: str) -> str:
        return f"repair_{name}_{vehicle.id}"

    with st.expander("Enter a repair"), st.form(key("form"), border=False):
        left, right = st.columns(2)
        left.text_input("For codes", " ".join(codes), placeholder="P0420 P0442", key=key("codes"))
        left.text_input("Done by", key=key("by"), placeholder="Technician")
        right.date_input("Day", local.date(), max_value=local.date(), key=key("day"), format=_US)
        right.time_input("Time", local.time().replace(second=0, microsecond=0), key=key("time"))
        st.text_input("What was done", key=key("done"))
        st.radio("Codes cleared", list(_CLEARED), key=key("cleared"), horizontal=True)
        say(BEFORE_CLEARING)
        st.form_submit_button("Enter the repair", on_click=_enter, args=(board, vehicle))


def _enter(board: Board, vehicle: Vehicle) -> None:
    def held(name: str) -> Any:
        return st.session_state[f"repair_{name}_{vehicle.id}"]

    def command() -> str:
        day: date = held("day")
        clock: time = held("time")
        begun = datetime.combine(day, clock, ZoneInfo(vehicle.depot_tz))
        entry = Repair(
            at=int(begun.timestamp() * 1000),
            technician=held("by").strip(),
            done=held("done").strip(),
            codes=tuple(held("codes").upper().replace(",", " ").split()),
            codes_cleared=_CLEARED[held("cleared")],
        )
        assert vehicle.id is not None
        number = commands.record_repair(
            board.engine,
            vehicle.id,
            entry,
            actor=board.actor,
            now=board.clock(),
            request_id=board.request_id(f"repair {vehicle.id}"),
        )
        return f"Unit {vehicle.unit}: repair {number} is entered."

    attempt(command)
