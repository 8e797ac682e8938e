"""Driving cycles as rows, keyed by vehicle and the reading that brought them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Set
from typing import Any

import msgspec
from sqlalchemy import Connection, select

from ingest.domain.cycles import Cycle, Key
from ingest.store import bulk
from ingest.store.schema import driving_cycle
from ingest.store.stretches import stretches

Cycles = Mapping[Key, Cycle]
"""The driving cycles of one vehicle by the reading that brought them."""

_encoder = msgspec.json.Encoder()
_decoder = msgspec.json.Decoder(Cycle)


def write_changes(connection: Connection, changes: Mapping[int, Cycles]) -> None:
    """Store the driving cycles a fold came upon, by vehicle."""
    rows = [_values(one, item) for one, cycles in changes.items() for item in cycles.values()]
    bulk.upsert(connection, driving_cycle, rows)


def write_diff(
    connection: Connection, vehicle_id: int, fresh: Cycles, anew: Set[Key] | None
) -> None:
    """Make the stored driving cycles of a vehicle those that were folded anew.

    `anew` are the readings folded anew (None: all); what earlier ones brought stays, unread.
    """
    kept = {
        (journal, seq): summary
        for journal, seq, summary in _stored_of(connection, vehicle_id, anew)
        if anew is None or (journal, seq) in anew
    }
    gone = [
        {"vehicle_id": vehicle_id, "journal": journal, "seq": seq}
        for journal, seq in kept.keys() - fresh.keys()
    ]
    bulk.delete(connection, driving_cycle, gone)
    rows = [_values(vehicle_id, item) for item in fresh.values()]
    changed = [row for row in rows if kept.get((row["journal"], row["seq"])) != row["summary"]]
    bulk.upsert(connection, driving_cycle, changed)


def _stored_of(
    connection: Connection, vehicle_id: int, anew: Set[Key] | None
) -> Iterator[tuple[str, int, str]]:
    """Journal, number and text of the cycles that may be of these readings (None: of all)."""
    table = driving_cycle.c
    query = select(table.journal, table.seq, table.summary).where(table.vehicle_id == vehicle_id)
    parts = [query]
    if anew is not None:
        parts = [
            query.where(table.journal == journal, table.seq.between(first, last))
            for journal, first, last in stretches(anew)
        ]
    for part in parts:
        rows = connection.execute(part).all()
        yield from ((journal, seq, summary) for journal, seq, summary in rows)


def stored(connection: Connection, vehicle_id: int) -> dict[Key, Cycle]:
    """The stored driving cycles of a vehicle."""
    return {one.key: one for one in _read(connection, vehicle_id)}


def newest_first(
    connection: Connection, vehicle_id: int, since: int | None = None
) -> tuple[Cycle, ...]:
    """The driving cycles of a vehicle (observed since then; epoch ms), the last one ended first."""
    return tuple(_read(connection, vehicle_id, since))


def _read(connection: Connection, vehicle_id: int, since: int | None = None) -> Iterable[Cycle]:
    query = (
        select(driving_cycle.c.summary)
        .where(driving_cycle.c.vehicle_id == vehicle_id)
        .order_by(
            driving_cycle.c.observed_at.desc(),
            driving_cycle.c.journal.desc(),
            driving_cycle.c.seq.desc(),
        )
    )
    if since is not None:
        query = query.where(driving_cycle.c.observed_at >= since)
    return [_decoder.decode(text) for text in connection.execute(query).scalars().all()]


def _values(vehicle_id: int, item: Cycle) -> dict[str, Any]:
    return {
        "vehicle_id": vehicle_id,
        "journal": item.journal,
        "seq": item.seq,
        "observed_at": item.observed_at,
        "started_at": item.started_at,
        "ended_at": item.ended_at,
        "summary": _encoder.encode(item).decode(),
    }
