"""Alerts: the states of ISA-18.2 / IEC 62682 (from memory), and what gives rise to one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from enum import StrEnum
from types import MappingProxyType
from typing import Literal

from gateway.contract import LampBroadcast
from gateway.facts import FULL_NAMES, Monitor
from ingest.domain.codes import can_flash_lamp, kind, meaning
from ingest.domain.completion import Beta
from ingest.domain.completion_priors import PRIORS
from ingest.domain.episodes import Episode, VehicleState
from ingest.domain.picture import LIT, Picture
from ingest.domain.stuck import stuck_monitors
from ingest.domain.us_days import us_day

LAMP: Literal["mil_on"] = "mil_on"
STUCK: Literal["monitor_stuck"] = "monitor_stuck"
CLEARED: Literal["clear_before_inspection"] = "clear_before_inspection"
RUN_UP_DAYS = 30
"""A clear within so many days before an inspection is its own alert (a choice of ours; X)."""
Priority = Literal["high", "medium", "low"]
RANKS = ("low", "medium", "high")


class AlertState(StrEnum):
    """Where an alert stands; 'shelved' and 'suppressed' are flags beside it, not states."""

    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned to normal unacknowledged"
    CLOSED = "closed"


ACKNOWLEDGE = "acknowledge"
NORMAL = "return to normal"
RECUR = "recur"
REALARM = "re-alarm"
"""It became graver: it is announced, and to be acknowledged, anew (ISA-18.2; from memory)."""
STANDING = AlertState.UNACKNOWLEDGED
"""The state in which an alert begins."""

TRANSITIONS: Mapping[tuple[AlertState, str], AlertState] = MappingProxyType(
    {
        (AlertState.UNACKNOWLEDGED, ACKNOWLEDGE): AlertState.ACKNOWLEDGED,
        (AlertState.UNACKNOWLEDGED, NORMAL): AlertState.RETURNED,
        (AlertState.ACKNOWLEDGED, NORMAL): AlertState.CLOSED,
        (AlertState.UNACKNOWLEDGED, REALARM): AlertState.UNACKNOWLEDGED,
        (AlertState.ACKNOWLEDGED, REALARM): AlertState.UNACKNOWLEDGED,
        (AlertState.RETURNED, ACKNOWLEDGE): AlertState.CLOSED,
        (AlertState.RETURNED, RECUR): AlertState.UNACKNOWLEDGED,
        (AlertState.CLOSED, RECUR): AlertState.UNACKNOWLEDGED,
    }
)


class AlertError(ValueError):
    """An event that its state does not allow; the text says which would be."""


def step(state: AlertState, event: str) -> AlertState:
    """The state after an event, or `AlertError`."""
    after = TRANSITIONS.get((state, event))
    if after is None:
        allowed = sorted(name for from_state, name in TRANSITIONS if from_state is state)
        raise AlertError(f"event {event!r} on an alert that is {state.value}: expected {allowed}")
    return after


@dataclass(frozen=True, slots=True)
class Condition:
    """Something that is so and deserves an alert. `episode` is its natural id, `since` epoch ms.

    `text` is for operations; `instruction` is what to tell the driver.
    """

    kind: Literal["mil_on", "monitor_stuck", "clear_before_inspection"]
    subject: str
    since: int
    priority: Priority
    episode: str
    text: str
    instruction: str


FLASHING = (
    "If the lamp flashes: ease off, no hard acceleration or steep climbs; stop where it is safe "
    "and park. If it is steady: finish the trip gently and report it today."
)
STOP = "The stop lamp is on: stop as soon as it is safe, park, and call the shop before driving on."
"""SAE J1939-73, 5.7.1: the stop lamp asks for the vehicle to be stopped (from memory)."""
STEADY = (
    "Steady lamp: go on with care and report it today. If it starts to flash: ease off, stop "
    "where it is safe and park."
)
NO_ACTION = "Nothing for the driver to do. Obey traffic law; no test drives on public roads."


def conditions(
    state: VehicleState, as_of: datetime, priors: Mapping[Monitor, Beta] = PRIORS
) -> list[Condition]:
    """What deserves an alert at `as_of` (aware): a lamp on, and monitors not setting."""
    picture = state.picture
    lamp = lamp_condition(state)
    found = [] if lamp is None else [lamp]
    for stuck in stuck_monitors(picture, state.open, as_of, priors):
        found.append(
            Condition(
                kind=STUCK,
                subject=stuck.monitor.value,
                since=stuck.since,
                priority="low",
                episode=stuck.episode.natural,
                text=f"Monitor not setting: {FULL_NAMES[stuck.monitor]}. {stuck.reason}",
                instruction=NO_ACTION,
            )
        )
    return found


def cleared_before_inspection(
    episode: Episode, state: VehicleState, due: date | None, today: date, cause: str
) -> Condition | None:
    """The alert for a clear in the run-up to an inspection due; days are the depot's own.

    It is so from the clear to the due day, while a monitor is still not complete.
    """
    missing = state.picture.incomplete()
    if due is None or not missing or episode.started_at != state.picture.last_clear_at:
        return None
    if not today <= due <= today + timedelta(days=RUN_UP_DAYS):
        return None
    names = ", ".join(FULL_NAMES[one] for one in missing)
    return Condition(
        kind=CLEARED,
        subject="",
        since=episode.started_at,
        priority="medium",
        episode=episode.natural,
        text=(
            f"Monitors were set back {(due - today).days} days before the inspection "
            f"due {us_day(due)}. "
            f"{cause} Not complete: {names}."
        ),
        instruction=NO_ACTION,
    )


def is_graver(said: Condition, priority: str, instruction: str) -> bool:
    """Whether more is asked now than by the priority and the instruction given before."""
    now = RANKS.index(said.priority), said.instruction == STOP
    return now > (RANKS.index(priority), instruction == STOP)


def lamp_condition(state: VehicleState) -> Condition | None:
    """What to say of a lamp that is on, from what is known by now; None while it is off."""
    lamps = (episode for episode in state.open if episode.kind == LAMP)
    return next((_lamp(episode, state.picture) for episode in lamps), None)


def _lamp(episode: Episode, picture: Picture) -> Condition:
    confirmed = picture.codes("confirmed") or frozenset(episode.details.get("codes", ()))
    lit = picture.lit_broadcasts()
    said = [_named(code) for code in sorted(confirmed)]
    said += [f"{code} of address {one.source}" for one in lit for code in _j1939(one)]
    pending = picture.codes("pending") or frozenset()
    flashing = any(can_flash_lamp(code) for code in confirmed | pending) or any(
        one.malfunction != "on" for one in lit
    )
    stop = any(one.stop in LIT for one in lit)
    unsure = flashing or not said
    return Condition(
        kind=LAMP,
        subject="",
        since=episode.started_at,
        priority="high" if unsure or stop else "medium",
        episode=episode.natural,
        text=f"MIL (check engine) came on: {'; '.join(said) or 'no code read yet'}.",
        instruction=STOP if stop else FLASHING if unsure else STEADY,
    )


def _j1939(one: LampBroadcast) -> list[str]:
    return [f"SPN {code.spn} FMI {code.fmi}" for code in one.codes]


def _named(code: str) -> str:
    info = meaning(code)
    return f"{code} ({kind(code).value if info is None else info.definition})"
