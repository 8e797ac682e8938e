"""How many lanes ingest has, as recorded in the database, and a change of it under way."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from sqlalchemy import Connection, delete, select

from ingest.lanes import Lane
from ingest.store.bulk import upsert
from ingest.store.database import read
from ingest.store.schema import meta

if TYPE_CHECKING:
    from sqlalchemy import Engine

_LANES, _NEXT = "lanes", "lanes_next"


class LanesDiffer(ValueError):
    """A lane of another number of lanes than the database has."""


@dataclass(frozen=True, slots=True)
class LaneRecord:
    """`lanes` hold the reports; `changing_to` is another number that was begun and not ended."""

    lanes: int
    changing_to: int | None


def lane_record(connection: Connection) -> LaneRecord:
    """What is recorded; a database that was never changed has one lane."""
    query = select(meta.c.name, meta.c.value).where(meta.c.name.in_((_LANES, _NEXT)))
    found = {row.name: int(row.value) for row in connection.execute(query)}
    return LaneRecord(found.get(_LANES, 1), found.get(_NEXT))


def begin_change(connection: Connection, lanes: int) -> None:
    """From here on sessions of both numbers may exist: no lane starts until the change is ended."""
    upsert(connection, meta, [{"name": _NEXT, "value": str(lanes)}])


def end_change(connection: Connection, lanes: int) -> None:
    """Only sessions of this number exist."""
    upsert(connection, meta, [{"name": _LANES, "value": str(lanes)}])
    connection.execute(delete(meta).where(meta.c.name == _NEXT))


def refuse_other_lanes(engine: Engine, lane: Lane) -> None:
    """Raise `LanesDiffer` unless this lane may serve.

    A lane of another number would leave shards to nobody, and make a session that nobody empties.
    """
    with read(engine) as connection:
        record = lane_record(connection)
    if record.changing_to is not None:
        raise LanesDiffer(
            f"--lane: a change from {record.lanes} to {record.changing_to} lanes is not ended: "
            f"run `python -m ingest lanes {record.changing_to}` again first"
        )
    if lane.lanes != record.lanes:
        raise LanesDiffer(
            f"--lane: {str(lane)!r}, expected K-of-{record.lanes} as the database has it; "
            f"`python -m ingest lanes {lane.lanes}` changes that"
        )
