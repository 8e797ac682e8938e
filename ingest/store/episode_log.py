"""Episodes as rows with ids of their own, which a refold keeps."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence, Set
from typing import Any

import msgspec
from sqlalchemy import Connection, Row, select, update

from ingest.domain.episodes import Episode
from ingest.domain.reconciling import reconcile
from ingest.store import bulk
from ingest.store.schema import episode
from ingest.store.stretches import Key, stretches

OPEN = "ended_at IS NULL AND withdrawn_reason IS NULL"
WITHDRAWN = "no longer so after reports arrived that belong earlier"

_encoder = msgspec.json.Encoder(order="sorted")

Episodes = Mapping[str, Episode]
"""Episodes by their natural id."""


def write_changes(
    connection: Connection, changes: Mapping[int, Episodes]
) -> dict[int, dict[str, int]]:
    """Store what a fold opened or closed, by vehicle; return the row ids by natural id."""
    touched = [one for one, episodes in changes.items() if episodes]
    ids: dict[int, dict[str, int]] = {one: {} for one in changes}
    if not touched:
        return ids
    columns = (episode.c.vehicle_id, episode.c.id, episode.c.natural)
    for vehicle_id, row_id, natural in bulk.select_in(
        connection, columns, episode.c.vehicle_id, touched, where=OPEN
    ):
        if natural in changes[vehicle_id]:
            ids[vehicle_id][natural] = row_id
    new = [
        (one, item)
        for one in touched
        for name, item in changes[one].items()
        if name not in ids[one]
    ]
    # What began an episode stays as it is, and with it the row's places in the indexes.
    old = [(row_id, changes[one][name]) for one in touched for name, row_id in ids[one].items()]
    bulk.update(connection, episode, [{"id": one, **_end(item)} for one, item in old])
    for (one, item), row_id in zip(new, _insert(connection, new), strict=True):
        ids[one][item.natural] = row_id
    return ids


def write_diff(
    connection: Connection, vehicle_id: int, fresh: Episodes, anew: Set[Key] | None
) -> tuple[dict[str, int], list[int]]:
    """Make the stored episodes of a vehicle those that were folded anew.

    `anew` are the readings folded anew (None: all); what earlier ones began and ended stays, and
    is not read but where a fresh episode began with it. Matched ones keep their id, the rest is
    added or marked withdrawn, never deleted. Returns the ids by natural id and the ids withdrawn.
    """
    rows = {
        row.id: row
        for row in _stored_of(connection, vehicle_id, fresh, anew)
        if anew is None or (row.start_journal, row.start_seq) in anew or row.natural in fresh
    }
    matched = reconcile([(one, episode_of(row)) for one, row in rows.items()], list(fresh.values()))
    changed = [(one, item) for one, item in matched.kept if episode_of(rows[one]) != item]
    bulk.update(connection, episode, [{"id": one, **_values(item)} for one, item in changed])
    ids = {item.natural: one for one, item in matched.kept}
    new = [(vehicle_id, item) for item in matched.new]
    for (_, item), row_id in zip(new, _insert(connection, new), strict=True):
        ids[item.natural] = row_id
    if matched.withdrawn:
        connection.execute(
            update(episode)
            .where(episode.c.id.in_(matched.withdrawn))
            .values(withdrawn_reason=WITHDRAWN)
        )
    return ids, list(matched.withdrawn)


def stored(
    connection: Connection, vehicle_id: int, kinds: Sequence[str] | None = None
) -> Iterable[Row[Any]]:
    """The episode rows of a vehicle (of some kinds) that still stand, in order of their start."""
    query = (
        select(episode)
        .where(episode.c.vehicle_id == vehicle_id, episode.c.withdrawn_reason.is_(None))
        .order_by(episode.c.started_at, episode.c.id)
    )
    if kinds is not None:
        query = query.where(episode.c.kind.in_(kinds))
    return connection.execute(query).all()


def _stored_of(
    connection: Connection, vehicle_id: int, fresh: Episodes, anew: Set[Key] | None
) -> Iterable[Row[Any]]:
    """The rows that still stand and may be of readings folded anew, or of fresh episodes."""
    if anew is None:
        yield from stored(connection, vehicle_id)
        return
    for journal, first, last in stretches(anew | {one.start_key for one in fresh.values()}):
        query = select(episode).where(
            episode.c.vehicle_id == vehicle_id,
            episode.c.start_journal == journal,
            episode.c.start_seq.between(first, last),
            episode.c.withdrawn_reason.is_(None),
        )
        yield from connection.execute(query)


def episode_of(row: Row[Any]) -> Episode:
    """The episode of a row."""
    return Episode(
        kind=row.kind,
        subject=row.subject,
        started_at=row.started_at,
        ended_at=row.ended_at,
        start_key=(row.start_journal, row.start_seq),
        end_key=None if row.end_journal is None else (row.end_journal, row.end_seq),
        details=msgspec.json.decode(row.details),
    )


def _values(item: Episode) -> dict[str, Any]:
    return {
        "kind": item.kind,
        "subject": item.subject,
        "natural": item.natural,
        "started_at": item.started_at,
        "start_journal": item.start_key[0],
        "start_seq": item.start_key[1],
        **_end(item),
    }


def _end(item: Episode) -> dict[str, Any]:
    end = item.end_key or (None, None)
    return {
        "ended_at": item.ended_at,
        "end_journal": end[0],
        "end_seq": end[1],
        "details": _encoder.encode(item.details).decode(),
    }


def _insert(connection: Connection, items: list[tuple[int, Episode]]) -> list[int]:
    rows = [{"vehicle_id": one, **_values(item)} for one, item in items]
    return bulk.insert_numbered(connection, episode, rows)
