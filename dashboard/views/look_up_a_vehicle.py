"""Look up a vehicle: what it is expected to give, why, and what happened on it."""

from __future__ import annotations

from datetime import datetime, time
from zoneinfo import ZoneInfo

import streamlit as st

from dashboard import present
from dashboard.exports import DISCLAIMER
from dashboard.views import (
    ahead_rows,
    cycle_rows,
    detail_rows,
    enter_inspections,
    enter_repairs,
    listed_rows,
    record_rows,
    why_rows,
)
from dashboard.views.board import Board, message, say, table
from dashboard.views.inspection_rows import program_name
from ingest import queries
from ingest.domain.dictionary import Explain, explainer
from ingest.domain.outcome import margin_words
from ingest.domain.picture import Picture
from ingest.domain.stuck_advice import CAUTION
from ingest.domain.vehicles import Vehicle

VEHICLE_QUERY = "vehicle"
CYCLES_SHOWN = 20
"""The newest driving cycles, in sight; older ones are behind an expander."""


def show(board: Board) -> None:
    """The page."""
    st.title("Look up a vehicle", anchor=False)
    message()
    if "vehicle_text" not in st.session_state:
        st.session_state["vehicle_text"] = st.query_params.get(VEHICLE_QUERY, "")
    text = st.text_input(
        "Unit number, plate or VIN", key="vehicle_text", placeholder="Type it and press Enter"
    ).strip()
    found = queries.find_vehicle(board.engine, text) if text else []
    chosen = _one_of(text, found)
    if chosen is None or chosen.id is None:
        say(DISCLAIMER)
        return
    st.query_params[VEHICLE_QUERY] = chosen.unit
    now = board.clock()
    record = queries.record(board.engine, chosen.id, now, board.programs)
    if record is None:
        say("This vehicle has left the list.")
        return
    one = record.standing.vehicle
    _record(board, record, now, explainer(one.make, one.model_year, board.dictionary))


def _one_of(text: str, found: list[Vehicle]) -> Vehicle | None:
    if not text:
        return None
    if not found:
        say(f"No vehicle of the list has the unit number, plate or VIN {text}.")
        return None
    if len(found) == 1:
        return found[0]
    say("Several vehicles answer to that: choose one.")
    names = {f"Unit {one.unit}, plate {one.plate}, VIN {one.vin}": one for one in found}
    name = st.selectbox("Vehicle", list(names), key="vehicle_choice", index=None)
    return names[name] if name else None


def _record(board: Board, record: queries.VehicleRecord, now: datetime, said: Explain) -> None:
    standing, vehicle = record.standing, record.standing.vehicle
    zone = ZoneInfo(vehicle.depot_tz)  # the vehicle's own depot, whichever is chosen above
    st.header(present.escape(f"Unit {vehicle.unit}"), anchor=False)
    say(
        f"Plate {vehicle.plate or 'not known'}. VIN {vehicle.vin}. Make "
        f"{vehicle.make or 'not known'}, model year {vehicle.model_year}, "
        f"{vehicle.ignition.value} ignition. {vehicle.depot}, "
        f"{vehicle.state}. Inspection program: {program_name(board.programs, vehicle.program)}. "
        f"Inspection due: {present.due_day(standing, zone, now)}. "
        f"Test by: {present.test_by(standing, zone, now)}."
    )
    with st.container(border=True, key="answer"):
        st.markdown(f"### {present.escape(present.answer(standing))}")
        if margin := margin_words(standing.verdict):
            say(margin)
        say(f"Next step: {standing.need.next_step}")
        for line in ahead_rows.ahead_lines(standing.forecast, now.astimezone(zone).date()):
            say(line)
        for line in listed_rows.warnings(vehicle):
            say(f"■ {line}")
        if standing.need.do_not_dispatch:
            say(f"■ Do not dispatch. {present.FLASHING}")
        st.markdown(f"**{present.escape(DISCLAIMER)}**")
    st.subheader("Expected OBD result: reasons", anchor=False)
    table(record_rows.reason_rows(standing.verdict.reasons), "No reason was given.")
    st.subheader("Check by eye", anchor=False)
    if standing.verdict.check_by_eye:
        say("A gateway cannot see these; a person has to look.")
    for line in standing.verdict.check_by_eye:
        st.markdown(f"- {present.escape(line)}")
    for line in standing.verdict.seen_by_eye:
        st.markdown(f"- {present.escape(f'Looked at. {line}')}")
    enter_inspections.show(board, record, now)
    _status(record, zone, now, said)
    _why(board, record, zone, now)
    st.subheader("From the vehicle list", anchor=False)
    listed = listed_rows.listed_rows(vehicle, now.astimezone(zone).date())
    table(listed, "The list says no more of this vehicle.")
    _history(record, zone, now, said)
    st.subheader("Cautions", anchor=False)
    for name, text in record_rows.CAUTIONS:
        st.markdown(f"**{present.escape(name)}.** {present.escape(text)}")
    say(DISCLAIMER)


def _status(record: queries.VehicleRecord, zone: ZoneInfo, now: datetime, said: Explain) -> None:
    picture = record.standing.picture
    st.subheader("Current status", anchor=False)
    if picture is None:
        say("Never heard from: nothing is known of this vehicle.")
        return
    for line in detail_rows.bus_words(picture, zone, now):
        say(f"■ {line}")
    status, monitors = st.columns(2)
    with status:
        table(record_rows.status_rows(record.standing, zone, now))
    with monitors:
        table(record_rows.monitor_rows(picture), "No ECU answered for its monitors.")
    st.subheader("Codes", anchor=False)
    table(record_rows.code_rows(picture, said))
    say(record_rows.code_silence(picture))
    _details(picture, zone, now, said)


def _details(picture: Picture, zone: ZoneInfo, now: datetime, said: Explain) -> None:
    """What is read by hand today: each part with a heading only where there is something in it."""
    _frames(picture, zone, now, said)
    findings = detail_rows.implausible_rows(picture)
    if findings:
        st.subheader("Values that make no sense", anchor=False)
        table(findings)
    broadcasts = detail_rows.broadcast_rows(picture)
    if broadcasts:
        st.subheader("Lamps broadcast on J1939", anchor=False)
        table(broadcasts)
        heard = detail_rows.at_words(picture.lamp_broadcasts_at, zone, now)
        say(f"Heard {heard}; nothing was asked for.")
    results = detail_rows.result_rows(picture, zone, now)
    if results:
        st.subheader("Monitor test results", anchor=False)
        table(results)
    _counters(picture)
    live = detail_rows.live_rows(picture)
    if live:
        read_at = detail_rows.at_words(picture.live_at, zone, now)
        with st.expander(f"Values of the last snapshot, {read_at}"):
            table(live)
    calibrations = detail_rows.calibration_rows(picture)
    if calibrations:
        with st.expander("Calibrations"):
            table(calibrations)


def _frames(picture: Picture, zone: ZoneInfo, now: datetime, said: Explain) -> None:
    st.subheader("Freeze frames", anchor=False)
    frames = detail_rows.freeze_frames(picture, zone, now)
    if not frames:
        say(detail_rows.freeze_frame_silence(picture))
    places = st.columns(2)
    for number, (code, origin, values) in enumerate(frames):
        with places[number % 2]:
            name = f"{code}: {said(code)}"
            st.markdown(f"**Causing code {present.escape(name)}**")
            say(origin)
            table(values, "No value was given.")


def _counters(picture: Picture) -> None:
    rows, others = detail_rows.counter_rows(picture), detail_rows.counter_words(picture)
    if not rows and not others:
        return
    st.subheader("In-use counters", anchor=False)
    table(rows)
    for line in others:
        say(line)


def _why(board: Board, record: queries.VehicleRecord, zone: ZoneInfo, now: datetime) -> None:
    """Why monitors are not complete, what clears were, whether repairs held, where tests head."""
    explained, due = record.explained, record.standing.need.deadline
    ahead = ahead_rows.monitor_rows(record.standing.forecast, now.astimezone(zone).date())
    if ahead:
        st.subheader("When monitors will be complete", anchor=False)
        table(ahead)
    if explained.monitors:
        st.subheader("Why monitors are not complete", anchor=False)
        table(why_rows.monitor_rows(explained))
        if explained.allowance:
            say(explained.allowance)
        if explained.season:
            say(f"Evaporative system: {explained.season}")
        say(f"■ {CAUTION}")
    st.subheader("Repairs", anchor=False)
    table(why_rows.repair_rows(explained, zone, now), "No repair is recorded.")
    table(why_rows.proof_rows(explained))
    enter_repairs.show(board, record, now)
    if explained.lamp is not None:
        st.subheader("Clear the codes, or let the MIL go out on its own?", anchor=False)
        table(why_rows.lamp_rows(explained, now, zone))
        say(explained.lamp.reason)
    if explained.clears:
        st.subheader("Clears", anchor=False)
        table(why_rows.clear_rows(explained, zone, now))
    at = None if due is None else int(datetime.combine(due, time(), zone).timestamp() * 1000)
    trends = why_rows.trend_rows(explained, at, zone, now)
    if trends:
        st.subheader("Test results that head for their limits", anchor=False)
        table(trends)


def _history(record: queries.VehicleRecord, zone: ZoneInfo, now: datetime, said: Explain) -> None:
    st.subheader("Driving cycles", anchor=False)
    cycles = cycle_rows.cycle_rows(record.cycles, zone, now)
    table(cycles[:CYCLES_SHOWN], "No driving cycle so far.")
    if older := cycles[CYCLES_SHOWN:]:
        with st.expander(f"Older driving cycles: {len(older):,}"):
            table(older)
    st.subheader("Events", anchor=False)
    table(record_rows.event_rows(record.events, zone, now, said), "No event so far.")
    st.subheader("Alerts", anchor=False)
    table(record_rows.alert_rows(record, zone, now), "No alert so far.")
    st.subheader("Appointments", anchor=False)
    rows = [
        {"When": present.visit(one, zone, now), "Work": one.reason, "Booked by": one.created_by}
        for one in record.appointments
    ]
    table(rows, "No appointment.")
    fitted = ", ".join(
        f"{name} from {present.moment(start, zone, now)}"
        + (f" until {present.moment(end, zone, now)}" if end else "")
        for name, start, end in record.gateways
    )
    counted = "1 reading" if record.reports == 1 else f"{record.reports:,} readings"
    say(f"{counted} stored. Gateways: {fitted or 'none fitted'}.")
