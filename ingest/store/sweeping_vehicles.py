"""What became so of vehicles by the passing of time: monitors not setting, clears in a run-up."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import Connection, Row, select

from gateway.facts import Monitor
from ingest.domain import alerts as rules
from ingest.domain.alerts import Condition
from ingest.domain.clear_causes import explain_clear
from ingest.domain.completion_priors import PRIORS
from ingest.domain.due_dates import test_by
from ingest.domain.episodes import VehicleState
from ingest.domain.explanation import set_back_at
from ingest.domain.programs import Program
from ingest.domain.stuck_advice import ADVICE
from ingest.domain.stuck_causes import causes
from ingest.domain.vehicles import Vehicle
from ingest.store import alert_log, cycle_log, episode_log, fold_states, learning, repair_log
from ingest.store.alert_log import Move, alert_row
from ingest.store.inspections import results
from ingest.store.schema import alert, episode, vehicle_state
from ingest.store.vehicles import all_vehicles

KINDS = (rules.STUCK, rules.CLEARED)
EPISODES = ("not_complete", "clear")
"""The kinds of event behind them."""
Wanted = dict[tuple[int, str], Condition]


def sweep_vehicles(
    connection: Connection,
    as_of: datetime,
    now: int,
    announce: bool,
    programs: Mapping[str, Program],
) -> tuple[int, int]:
    """Raise and end the alerts that come with time; return how many of each."""
    entered = results(connection)
    vehicles = {one.id: one for one in all_vehicles(connection) if one.id is not None}
    learned = learning.learned(connection)
    wanted: Wanted = {}
    for row in connection.execute(select(vehicle_state.c.vehicle_id, vehicle_state.c.state)):
        state = fold_states.decode_state(row.state)
        listed = vehicles.get(row.vehicle_id)
        priors = PRIORS if listed is None else learned.cautious(listed)
        found = [one for one in rules.conditions(state, as_of, priors) if one.kind == rules.STUCK]
        if found:
            found = _with_causes(connection, row.vehicle_id, state, found)
        if row.vehicle_id in vehicles:
            one = vehicles[row.vehicle_id]
            today = as_of.astimezone(ZoneInfo(one.depot_tz)).date()
            due = test_by(one, programs, entered.get(row.vehicle_id, ()), today)
            found += _cleared(connection, one, state, due, today)
        wanted |= {(row.vehicle_id, one.episode): one for one in found}
    return _follow(connection, wanted, now, announce)


def _with_causes(
    connection: Connection, vehicle_id: int, state: VehicleState, found: Sequence[Condition]
) -> list[Condition]:
    """The same with the cause that weighs most and what to do about it."""
    cycles = cycle_log.newest_first(connection, vehicle_id)
    told = []
    for condition in found:
        monitor = Monitor(condition.subject)
        since = set_back_at(monitor, state.picture, state.open)
        said = causes(monitor, state.picture, [one for one in cycles if one.started_at >= since])
        if said:
            first = said[0]
            more = f" Cause: {first.cause.value} ({first.evidence}). {ADVICE[first.cause]}"
            condition = replace(condition, text=condition.text + more)
        told.append(condition)
    return told


def _cleared(
    connection: Connection, one: Vehicle, state: VehicleState, due: date | None, today: date
) -> list[Condition]:
    at = state.picture.last_clear_at
    if due is None or at is None or one.id is None or not state.picture.incomplete():
        return []
    if not today <= due or (due - today).days > rules.RUN_UP_DAYS:
        return []
    events = [episode_log.episode_of(row) for row in episode_log.stored(connection, one.id)]
    last = next((e for e in reversed(events) if e.kind == "clear" and e.started_at == at), None)
    if last is None:
        return []
    said = explain_clear(last, events, repair_log.of_vehicle(connection, one.id))
    found = rules.cleared_before_inspection(last, state, due, today, f"{said.words} {said.who}")
    return [] if found is None else [found]


def _follow(connection: Connection, wanted: Wanted, now: int, announce: bool) -> tuple[int, int]:
    ids = _episode_ids(connection, {one for one, _ in wanted})
    known = {
        (row.kind, row.episode_id): row
        for row in connection.execute(select(alert).where(alert.c.kind.in_(KINDS)))
    }
    moves: list[Move] = []
    fresh, standing = [], set()
    for (vehicle_id, natural), condition in wanted.items():
        episode_id = ids.get((vehicle_id, natural))
        if episode_id is None:
            continue
        standing.add((condition.kind, episode_id))
        before = known.get((condition.kind, episode_id))
        if before is None:
            fresh.append(_row(vehicle_id, episode_id, condition, now, announce))
        else:
            moves += still_so(before, condition.since, announce)
    over = [row for key, row in known.items() if key not in standing and row.ended_at is None]
    return write_moves(connection, fresh, moves, over, now)


def _row(
    vehicle_id: int, episode_id: int, condition: Condition, now: int, announce: bool
) -> dict[str, Any]:
    return alert_row(
        vehicle_id,
        condition.kind,
        condition.subject,
        episode_id,
        priority=condition.priority,
        since=condition.since,
        ended_at=None,
        text=condition.text,
        instruction=condition.instruction,
        now=now,
        announce=announce,
    )


def _episode_ids(connection: Connection, vehicles: set[int]) -> dict[tuple[int, str], int]:
    query = select(episode.c.id, episode.c.vehicle_id, episode.c.natural).where(
        episode.c.kind.in_(EPISODES), episode.c.withdrawn_reason.is_(None)
    )
    return {
        (row.vehicle_id, row.natural): row.id
        for row in connection.execute(query)
        if row.vehicle_id in vehicles
    }


def still_so(row: Row[Any], since: int, announce: bool) -> Iterator[Move]:
    """The move of an alert that is so, or so again; none when it says so already."""
    if row.ended_at is not None:
        again = {"ended_at": None, "since": since, **alert_log.announced_anew(row, announce)}
        yield Move(row, rules.RECUR, alert_log.SYSTEM, "", again)
    elif row.since != since:  # put right by what arrived later
        yield Move(row, "", alert_log.SYSTEM, "", {"since": since})


def write_moves(
    connection: Connection,
    fresh: Sequence[dict[str, Any]],
    moves: Sequence[Move],
    over: Sequence[Row[Any]],
    now: int,
) -> tuple[int, int]:
    """Open, move and end alerts; return how many were raised and how many ended."""
    ended = [
        Move(row, rules.NORMAL, alert_log.SYSTEM, "", {"ended_at": now, "announce": False})
        for row in over
    ]
    alert_log.open_alerts(connection, fresh, now)
    alert_log.apply(connection, [*moves, *ended], now)
    raised = sum(move.event != "" for move in moves)
    return len(fresh) + raised, len(ended)
