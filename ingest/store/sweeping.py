"""The timed look over the fleet: what became so by the passing of time, not by a report."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import Connection, Engine, Row, select

from ingest.domain import alerts as rules
from ingest.domain.alerts import Condition
from ingest.store import alert_log, folding
from ingest.store.alert_log import Move, alert_row
from ingest.store.database import write
from ingest.store.schema import alert, episode, presence, vehicle, vehicle_state
from ingest.store.times import to_ms

SILENT_AFTER = timedelta(hours=1)
"""How long a gateway may be offline before it counts as silent (a choice of this project)."""
SILENT = "gateway_silent"
_SILENT_INSTRUCTION = "Nothing for the driver to do. Check the gateway's power and reception."


@dataclass(frozen=True, slots=True)
class SweepResult:
    """What a sweep raised and what it found over, in numbers of alerts."""

    raised: int
    returned: int


def sweep(
    engine: Engine,
    as_of: datetime,
    *,
    announce: bool = True,
    silent_after: timedelta = SILENT_AFTER,
) -> SweepResult:
    """Raise alerts for monitors not setting and silent gateways as at `as_of`; end those over.

    Without `announce` new alerts stand but no notice is sent of them (history being written).
    """
    now = to_ms(as_of)
    with write(engine) as connection:
        stuck = _sweep_stuck(connection, as_of, now, announce)
        limit = silent_after // timedelta(milliseconds=1)
        silent = _sweep_silent(connection, now, limit, announce)
    return SweepResult(stuck[0] + silent[0], stuck[1] + silent[1])


def _sweep_stuck(
    connection: Connection, as_of: datetime, now: int, announce: bool
) -> tuple[int, int]:
    wanted: dict[tuple[int, str], Condition] = {}
    for row in connection.execute(select(vehicle_state.c.vehicle_id, vehicle_state.c.state)):
        state = folding.decode_state(row.state)
        for condition in rules.conditions(state, as_of):
            if condition.kind == rules.STUCK:
                wanted[row.vehicle_id, condition.episode] = condition
    ids = _open_episode_ids(connection)
    known = {
        row.episode_id: row
        for row in connection.execute(select(alert).where(alert.c.kind == rules.STUCK))
    }
    fresh, moves, standing = [], [], set()
    for (vehicle_id, natural), condition in wanted.items():
        episode_id = ids.get((vehicle_id, natural))
        if episode_id is None:
            continue
        standing.add(episode_id)
        before = known.get(episode_id)
        if before is None:
            fresh.append(_stuck_row(vehicle_id, episode_id, condition, now, announce))
        elif before.ended_at is not None:
            moves.append(_recur(before))
    over = [row for key, row in known.items() if key not in standing and row.ended_at is None]
    return _write(connection, fresh, moves, over, now)


def _stuck_row(
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


def _open_episode_ids(connection: Connection) -> dict[tuple[int, str], int]:
    query = select(episode.c.id, episode.c.vehicle_id, episode.c.natural).where(
        episode.c.kind == "not_complete",
        episode.c.ended_at.is_(None),
        episode.c.withdrawn_reason.is_(None),
    )
    return {(row.vehicle_id, row.natural): row.id for row in connection.execute(query)}


def _sweep_silent(connection: Connection, now: int, limit: int, announce: bool) -> tuple[int, int]:
    """A gateway asleep past `wake_by`, or offline longer than the limit, is silent."""
    query = select(presence, vehicle.c.id.label("vehicle_id")).join(
        vehicle, vehicle.c.gateway == presence.c.gateway
    )
    known: dict[tuple[int, str], Row[Any]] = {
        (row.vehicle_id, row.subject): row
        for row in connection.execute(select(alert).where(alert.c.kind == SILENT))
    }
    fresh, moves, standing = [], [], set()
    for row in connection.execute(query):
        since = _silent_since(row, now, limit)
        if since is None:
            continue
        key = (row.vehicle_id, row.gateway)
        standing.add(key)
        before = known.get(key)
        if before is None:
            fresh.append(_silent_row(row, since, now, announce))
        elif before.ended_at is not None:
            moves.append(_recur(before, since))
    over = [row for key, row in known.items() if key not in standing and row.ended_at is None]
    return _write(connection, fresh, moves, over, now)


def _silent_since(row: Row[Any], now: int, limit: int) -> int | None:
    if row.state == "asleep" and row.wake_by is not None and row.wake_by < now:
        return int(row.wake_by)
    if row.state == "offline" and row.received_at + limit < now:
        return int(row.received_at)
    return None


def _silent_row(row: Row[Any], since: int, now: int, announce: bool) -> dict[str, Any]:
    return alert_row(
        row.vehicle_id,
        SILENT,
        row.gateway,
        None,
        priority="low",
        since=since,
        ended_at=None,
        text=f"Gateway {row.gateway} is silent: what is shown of this vehicle grows old.",
        instruction=_SILENT_INSTRUCTION,
        now=now,
        announce=announce,
    )


def _recur(row: Row[Any], since: int | None = None) -> Move:
    columns: Mapping[str, Any] = {"ended_at": None}
    if since is not None:
        columns = {**columns, "since": since}
    return Move(row, rules.RECUR, alert_log.SYSTEM, "", dict(columns))


def _write(
    connection: Connection,
    fresh: Sequence[dict[str, Any]],
    moves: Sequence[Move],
    over: Sequence[Row[Any]],
    now: int,
) -> tuple[int, int]:
    ended = [
        Move(row, rules.NORMAL, alert_log.SYSTEM, "", {"ended_at": now, "announce": False})
        for row in over
    ]
    alert_log.open_alerts(connection, fresh, now)
    alert_log.apply(connection, [*moves, *ended], now)
    return len(fresh) + len(moves), len(ended)
