"""Answer lamp alerts: which lamp came on, what to tell the driver, and who has seen it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, time, timedelta

import streamlit as st

from dashboard import present
from dashboard.views.board import Board, attempt, message, say, told_of_trouble
from ingest import commands, queries
from ingest.domain.alerts import ACKNOWLEDGE, TRANSITIONS, AlertState
from ingest.domain.drivers import DriverDay, driver_words

MOST_ALERTS = 60
HOLD_DAYS = {"mil_on": 7, "monitor_stuck": 14, "gateway_silent": 30, "vin_differs": 7}
"""The longest hold of each kind that can be held (a choice of this project; X)."""


def show(board: Board) -> None:
    """The page. The list looks again every five seconds by itself."""
    st.title("Answer lamp alerts", anchor=False)
    with st.container(border=True, key="caution"):
        say(present.FLASHING)
    everywhere = "All depots"
    where = st.radio("Show", (everywhere, board.depot.name), key="alerts_of", horizontal=True)
    _standing(board, None if where == everywhere else board.depot.name)


@st.fragment(run_every="5s")
@told_of_trouble()
def _standing(board: Board, depot_name: str | None) -> None:
    now = board.clock()
    message()
    found = queries.alerts(board.engine, now, depot_name=depot_name)
    waiting = [one for one in found if _can_acknowledge(one) and not one.held]
    others = [one for one in found if one not in waiting]
    drivers = queries.drivers_now(board.engine, now) if found else {}
    say(
        f"{len(waiting)} waiting for an answer, {len(others)} answered or held. "
        f"Looked at {present.moment(now, board.zone, now)}."
    )
    st.subheader("Waiting for an answer", anchor=False)
    if not waiting:
        say("No alert waits for an answer.")
    for alert in waiting[:MOST_ALERTS]:
        _card(board, alert, drivers.get(alert.vehicle_id, ()))
    if len(waiting) > MOST_ALERTS:
        say(f"And {len(waiting) - MOST_ALERTS} more.")
    if others:
        st.subheader("Answered or held", anchor=False)
    for alert in others[:MOST_ALERTS]:
        _card(board, alert, drivers.get(alert.vehicle_id, ()))


def _can_acknowledge(alert: queries.Alert) -> bool:
    return (AlertState(alert.state), ACKNOWLEDGE) in TRANSITIONS


def _card(board: Board, alert: queries.Alert, drivers: Sequence[DriverDay]) -> None:
    now, zone = board.clock(), board.zone_of(alert.depot)
    with st.container(border=True, key=f"alert_{alert.id}"):
        text, button = st.columns((6, 1), vertical_alignment="center")
        with text:
            st.markdown(f"**{present.escape(present.alert_title(alert, zone, now))}**")
            say(alert.text)
            st.markdown(f"**Tell the driver:** {present.escape(alert.instruction)}")
            if drivers:
                say(f"Driver today: {'; '.join(map(driver_words, drivers))}.")
            st.caption(present.escape(present.alert_state(alert, zone, now)))
        if _can_acknowledge(alert):
            button.button(
                "Acknowledge",
                key=f"acknowledge_{alert.id}_{alert.version}",
                on_click=_acknowledge,
                args=(board, alert),
            )
        if not alert.held and alert.kind in HOLD_DAYS:
            _hold_form(board, alert)


def _hold_form(board: Board, alert: queries.Alert) -> None:
    """Hold an alert that nothing can be done about for now; it comes back by itself."""
    today = board.clock().astimezone(board.zone_of(alert.depot)).date()
    name = f"{alert.id}_{alert.version}"
    with st.expander("Hold until a day", key=f"hold_{name}"), st.form(f"hold_form_{name}"):
        when, why, button = st.columns((2, 5, 1), vertical_alignment="bottom")
        when.date_input(
            "Until the morning of",
            today + timedelta(days=1),
            min_value=today + timedelta(days=1),
            max_value=today + timedelta(days=HOLD_DAYS[alert.kind]),
            key=f"hold_day_{name}",
            format="MM/DD/YYYY",
        )
        why.text_input("Why", key=f"hold_why_{name}", placeholder="Part ordered")
        button.form_submit_button("Hold", on_click=_hold, args=(board, alert))


def _hold(board: Board, alert: queries.Alert) -> None:
    name = f"{alert.id}_{alert.version}"

    def command() -> str:
        zone = board.zone_of(alert.depot)
        until = datetime.combine(st.session_state[f"hold_day_{name}"], time(6), zone)
        commands.shelve_alert(
            board.engine,
            alert.id,
            until=until,
            reason=st.session_state[f"hold_why_{name}"].strip(),
            actor=board.actor,
            now=board.clock(),
            request_id=board.request_id(f"hold {name}"),
            expected_version=alert.version,
        )
        return f"Unit {alert.unit}: held until {present.moment(until, zone, board.clock())}."

    attempt(command)


def _acknowledge(board: Board, alert: queries.Alert) -> None:
    def command() -> str:
        stand = commands.acknowledge_alert(
            board.engine,
            alert.id,
            actor=board.actor,
            now=board.clock(),
            request_id=board.request_id(f"acknowledge {alert.id} {alert.version}"),
            expected_version=alert.version,
        )
        return f"Unit {alert.unit}: the alert is now {stand.state}."

    attempt(command)
