"""Alerts in the store: opened once for each event, moved by the rules of `ingest.domain.alerts`.

Every move is kept as an `alert_event` with who and when.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Row, select

from ingest.domain import alerts as rules
from ingest.domain.alerts import AlertState, Condition
from ingest.domain.episodes import Episode
from ingest.store import bulk
from ingest.store.schema import alert, alert_event, notice

SYSTEM = "system"
SHELVE = "shelve"
_STAYING = ("", SHELVE)
"""Events that set a flag or a time and leave the state as it is."""
LAMP_TEXT = "MIL (check engine) came on."
LAMP_INSTRUCTION = "A flashing lamp: ease off and stop where it is safe. A steady lamp: report it."


@dataclass(frozen=True, slots=True)
class Lamp:
    """A lamp episode with its row id and what the rules say of it, if they were asked."""

    vehicle_id: int
    episode_id: int
    episode: Episode
    condition: Condition | None


@dataclass(frozen=True, slots=True)
class Move:
    """One step of one alert: the event, what it leads to, and other columns that change."""

    row: Row[Any]
    event: str
    actor: str
    note: str
    columns: dict[str, Any]


def by_episode(connection: Connection, ids: Iterable[int]) -> dict[int, list[Any]]:
    """The alerts of some episodes."""
    found: dict[int, list[Any]] = {}
    for row in bulk.select_in(connection, tuple(alert.c), alert.c.episode_id, ids):
        found.setdefault(row.episode_id, []).append(row)
    return found


def follow_lamps(connection: Connection, lamps: Sequence[Lamp], now: int) -> None:
    """One alert for each lamp episode; it returns to normal when the lamp goes off."""
    if not lamps:
        return
    known = by_episode(connection, (lamp.episode_id for lamp in lamps))
    fresh: list[dict[str, Any]] = []
    moves: list[Move] = []
    for lamp in lamps:
        rows = [row for row in known.get(lamp.episode_id, []) if row.kind == rules.LAMP]
        if not rows:
            fresh.append(_lamp_row(lamp, now))
            continue
        values = {"since": lamp.episode.started_at, "ended_at": lamp.episode.ended_at}
        values |= _words(lamp.condition)
        if lamp.episode.ended_at is None and _is_graver(lamp.condition, rows[0]):
            moves.append(_told_anew(rows[0], values))
        else:
            moves += _moves_to(rows[0], ended=lamp.episode.ended_at is not None, values=values)
    open_alerts(connection, fresh, now)
    apply(connection, moves, now)


def _is_graver(said: Condition | None, row: Row[Any]) -> bool:
    standing = row.ended_at is None
    return said is not None and standing and rules.is_graver(said, row.priority, row.instruction)


def _told_anew(row: Row[Any], values: dict[str, Any]) -> Move:
    """Operations hear of what became graver, also where they hold it or have acknowledged it."""
    note = f"{row.priority} before: {row.text}"
    columns = {**values, "shelved_until": None, "shelved_reason": None, **announced_anew(row)}
    return Move(row, rules.REALARM, SYSTEM, note, columns)


def announced_anew(row: Row[Any], announce: bool = True) -> dict[str, Any]:
    """The columns that let notices go out again."""
    return {"announce": announce, "announcement": row.announcement + 1}


def _words(said: Condition | None) -> dict[str, Any]:
    """What is said of a lamp; nothing where nothing was judged of it this time."""
    if said is None:
        return {}
    return {"priority": said.priority, "text": said.text, "instruction": said.instruction}


def _lamp_row(lamp: Lamp, now: int) -> dict[str, Any]:
    said = lamp.condition
    return alert_row(
        lamp.vehicle_id,
        rules.LAMP,
        "",
        lamp.episode_id,
        priority=said.priority if said else "medium",
        since=lamp.episode.started_at,
        ended_at=lamp.episode.ended_at,
        text=said.text if said else LAMP_TEXT,
        instruction=said.instruction if said else LAMP_INSTRUCTION,
        now=now,
    )


def alert_row(
    vehicle_id: int,
    kind: str,
    subject: str,
    episode_id: int | None,
    *,
    priority: str,
    since: int,
    ended_at: int | None,
    text: str,
    instruction: str,
    now: int,
    announce: bool = True,
) -> dict[str, Any]:
    """A new alert; one whose event is over already is not announced."""
    state = rules.STANDING if ended_at is None else rules.step(rules.STANDING, rules.NORMAL)
    return {
        "vehicle_id": vehicle_id,
        "kind": kind,
        "subject": subject,
        "episode_id": episode_id,
        "state": str(state),
        "priority": str(priority),
        "since": since,
        "ended_at": ended_at,
        "text": text,
        "instruction": instruction,
        "suppressed": False,
        "announce": announce and ended_at is None,
        "raised_at": now,
        "version": 1,
    }


def open_alerts(connection: Connection, rows: Sequence[dict[str, Any]], now: int) -> None:
    """Store new alerts, each with its first event."""
    if not rows:
        return
    ids = bulk.insert_numbered(connection, alert, rows)
    events = [
        {
            "alert_id": alert_id,
            "at": now,
            "event": "raised",
            "from_state": None,
            "to_state": row["state"],
            "actor": SYSTEM,
            "note": "",
        }
        for alert_id, row in zip(ids, rows, strict=True)
    ]
    bulk.insert(connection, alert_event, events)


def return_to_normal(
    connection: Connection, ended: Sequence[tuple[int, int | None]], now: int
) -> None:
    """The events (episode id, end) behind some alerts are over."""
    ends = dict(ended)
    moves = [
        move
        for episode_id, rows in by_episode(connection, ends).items()
        for row in rows
        for move in _moves_to(row, ended=True, values={"ended_at": ends[episode_id]})
    ]
    apply(connection, moves, now)


def withdraw(connection: Connection, episode_ids: Sequence[int], now: int) -> None:
    """The events behind some alerts never were: say so and let them return to normal."""
    note = "the event behind it was withdrawn after reports arrived that belong earlier"
    moves = [
        move
        for rows in by_episode(connection, episode_ids).values()
        for row in rows
        for move in _moves_to(row, ended=True, values={"ended_at": row.since}, note=note)
    ]
    apply(connection, moves, now)


def _moves_to(
    row: Row[Any], *, ended: bool, values: dict[str, Any], note: str = ""
) -> Iterator[Move]:
    """The move that makes an alert fit its event; none when it fits already."""
    differs = any(getattr(row, name) != value for name, value in values.items())
    if ended and row.ended_at is None:
        yield Move(row, rules.NORMAL, SYSTEM, note, {**values, "announce": False})
    elif not ended and row.ended_at is not None:
        yield Move(row, rules.RECUR, SYSTEM, note, {**values, **announced_anew(row)})
    elif differs:
        yield Move(row, "", SYSTEM, note, values)


def apply(connection: Connection, moves: Sequence[Move], now: int) -> list[AlertState]:
    """Write moves: the alert row, and the event unless it was only put right.

    Returns the states after; raises `AlertError` for an event that a state does not allow.
    """
    events = []
    states = []
    changed: dict[tuple[str, ...], list[dict[str, Any]]] = defaultdict(list)
    for move in moves:
        state = AlertState(move.row.state)
        after = state if move.event in _STAYING else rules.step(state, move.event)
        states.append(after)
        row = {
            "id": move.row.id, "state": str(after), "version": move.row.version + 1, **move.columns
        }  # fmt: skip
        changed[tuple(row)].append(row)
        if move.event:
            events.append(_event_row(move, str(after), now))
    for rows in changed.values():
        bulk.update(connection, alert, rows)
    bulk.insert(connection, alert_event, events)
    return states


def _event_row(move: Move, after: str, now: int) -> dict[str, Any]:
    return {
        "alert_id": move.row.id,
        "at": now,
        "event": move.event,
        "from_state": move.row.state,
        "to_state": after,
        "actor": move.actor,
        "note": move.note,
    }


def locked(connection: Connection, alert_id: int) -> Row[Any] | None:
    """The row of one alert, kept from other writers until the transaction ends."""
    query = select(alert).where(alert.c.id == alert_id).with_for_update()
    return connection.execute(query).one_or_none()


def note_notice(
    connection: Connection, alert_id: int, announcement: int, channel: str, outcome: str, at: int
) -> None:
    """Keep that a notice was sent; the first record stands."""
    row = {
        "alert_id": alert_id, "channel": channel, "announcement": announcement, "sent_at": at,
        "outcome": outcome,
    }  # fmt: skip
    bulk.insert_or_ignore(connection, notice, [row])
