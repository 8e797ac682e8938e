"""Enter on the look-up page what an official inspection gave, and what was seen of the lamp."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any, Literal
from zoneinfo import ZoneInfo

import streamlit as st

from dashboard import present
from dashboard.planning.explain import us_date
from dashboard.views.board import Board, attempt, say, table
from gateway.facts import FULL_NAMES, Monitor
from ingest import commands, queries
from ingest.domain.drivers import DriverDay
from ingest.domain.due_dates import Due
from ingest.domain.inspections import Inspection, Result
from ingest.domain.integrity import Doubt
from ingest.domain.observed_lamp import ObservedLamp
from ingest.domain.vehicles import Vehicle

_NOT_LOOKED = "Not looked at"
_US: Literal["MM/DD/YYYY"] = "MM/DD/YYYY"
_SEEN = {_NOT_LOOKED: None, "Yes": True, "No": False}
_SEEN_WORDS = {seen: words for words, seen in _SEEN.items()}


def show(board: Board, record: queries.VehicleRecord, now: datetime) -> None:
    """What is due and why, the results so far, and the two forms."""
    vehicle = record.standing.vehicle
    zone = ZoneInfo(vehicle.depot_tz)
    today = now.astimezone(zone).date()
    if record.drivers:
        say(f"Driver today: {'; '.join(map(_driver_words, record.drivers))}.")
    st.subheader("Inspections due", anchor=False)
    table([_due_row(one, today) for one in record.standing.dues])
    for due in record.standing.dues:
        for why in (*due.reasons, due.extension):
            st.markdown(f"- {present.escape(f'{due.program}: {why}')}")
    st.subheader("Inspection results", anchor=False)
    rows = [_result_row(one, today) for one in reversed(record.inspections)]
    table(rows, "No result was entered.")
    with st.expander("Enter an inspection result"):
        _result_form(board, vehicle, today)
    st.subheader("Lamp as seen on a walk-around", anchor=False)
    table([_look_row(one, zone, now) for one in record.looks], "Nobody has entered a look.")
    with st.expander("Enter a look at the lamp"):
        _look_form(board, vehicle)
    if record.doubts:
        st.subheader("Does not fit this vehicle's past", anchor=False)
        table([_doubt_row(one, zone, now) for one in record.doubts])


def _driver_words(one: DriverDay) -> str:
    parts = (one.name, one.phone, one.language, "takes it home" if one.take_home else None)
    return ", ".join(part for part in parts if part)


def _due_row(one: Due, today: date) -> present.Row:
    return {
        "Program": one.program,
        "Window opens": _day(one.opens, today),
        "Due": _day(one.due, today),
        "Test by": _day(one.test_by, today),
        "Retest by": _day(one.retest_by, today) if one.failed_codes or one.retest_by else "",
        "Failed for": ", ".join(one.failed_codes),
    }


def _result_row(one: Inspection, today: date) -> present.Row:
    what = ", ".join(one.codes or tuple(FULL_NAMES[monitor] for monitor in one.monitors))
    return {
        "Number": str(one.id),
        "Day": us_date(one.day, today),
        "Program": one.program,
        "Result": f"{one.result.value} for {what}" if what else one.result.value,
        "Certificate": one.certificate or "",
        "Valid until": _day(one.valid_until, today) if one.valid_until else "",
        "Note": one.note,
    }


def _look_row(one: ObservedLamp, zone: ZoneInfo, now: datetime) -> present.Row:
    return {
        "When": present.moment(one.at, zone, now),
        "Lamp lit at key-on": _SEEN_WORDS[one.lit_at_key_on],
        "Lit while running": _SEEN_WORDS[one.lit_while_running],
        "By": one.by,
    }


def _doubt_row(one: Doubt, zone: ZoneInfo, now: datetime) -> present.Row:
    seen = None if one.at is None else datetime.fromtimestamp(one.at / 1000, zone)
    return {
        "Seen": "stands now" if seen is None else present.moment(seen, zone, now),
        "What": one.text,
        "Look at": one.look_at,
    }


def _day(day: date | None, today: date) -> str:
    return "not known" if day is None else us_date(day, today)


def _result_form(board: Board, vehicle: Vehicle, today: date) -> None:
    def key(name: str) -> str:
        return f"result_{name}_{vehicle.id}"

    programs = sorted(board.programs)
    with st.form(key("form"), border=False):
        left, right = st.columns(2)
        left.selectbox("Program", programs, programs.index(vehicle.program), key=key("program"))
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
        for name, words in (
            ("key_on", "Lamp lit at key-on, engine off"),
            ("running", "Lamp lit while running"),
        ):
            st.radio(words, list(_SEEN), key=f"look_{name}_{vehicle.id}", horizontal=True)
        st.form_submit_button("Enter the look", on_click=_looked, args=(board, vehicle))
    say("Look with the parking brake set; nobody reads a screen while driving.")


def _looked(board: Board, vehicle: Vehicle) -> None:
    def seen(name: str) -> bool | None:
        return _SEEN[st.session_state[f"look_{name}_{vehicle.id}"]]

    def command() -> str:
        now = board.clock()
        look = ObservedLamp(now, seen("key_on"), seen("running"), board.actor)
        commands.record_walk_around(
            board.engine,
            _id(vehicle),
            look,
            now=now,
            request_id=board.request_id(f"walk-around {vehicle.id}"),
        )
        return f"Unit {vehicle.unit}: the look at the lamp is entered."

    attempt(command)


def _id(vehicle: Vehicle) -> int:
    assert vehicle.id is not None
    return vehicle.id
