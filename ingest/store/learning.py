"""What the fleet's past taught, and what forecasts said: kept for the forecasts to come."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

from sqlalchemy import Connection, delete, select

from ingest.domain import hindsight
from ingest.domain.hindsight import Said
from ingest.domain.learned import NOTHING_LEARNED, Learned, decode, encode
from ingest.store import bulk
from ingest.store.forecast_schema import forecast_said
from ingest.store.schema import meta
from ingest.store.times import from_ms, to_ms

_LEARNED, _LEARNED_AT = "learned", "learned_at"


def learned(connection: Connection) -> Learned:
    """What was learned last; nothing in a store that is new."""
    text = connection.execute(select(meta.c.value).where(meta.c.name == _LEARNED)).scalar()
    return NOTHING_LEARNED if text is None else decode(text)


def learned_at(connection: Connection) -> datetime | None:
    """When that was; None when never."""
    text = connection.execute(select(meta.c.value).where(meta.c.name == _LEARNED_AT)).scalar()
    return None if text is None else from_ms(int(text))


def write_learned(connection: Connection, fresh: Learned, at: datetime) -> None:
    """Put it in the place of what was learned before."""
    rows = [
        {"name": _LEARNED, "value": encode(fresh)},
        {"name": _LEARNED_AT, "value": str(to_ms(at))},
    ]
    bulk.upsert(connection, meta, rows)


def all_said(connection: Connection, vehicle_id: int) -> list[tuple[int, int, Said]]:
    """What was said of a vehicle: (when its wait began, when it was said, what), oldest first."""
    query = (
        select(forecast_said)
        .where(forecast_said.c.vehicle_id == vehicle_id)
        .order_by(forecast_said.c.at)
    )
    rows = connection.execute(query)
    return [(row.since, row.at, hindsight.decode(row.body)) for row in rows]


def keep_said(connection: Connection, kept: Iterable[tuple[int, int, int, Said]]) -> None:
    """Keep (vehicle, when its wait began, when it was said, what); the first of a wait stands."""
    rows = [
        {"vehicle_id": vehicle_id, "since": since, "at": at, "body": hindsight.encode(said)}
        for vehicle_id, since, at, said in kept
    ]
    bulk.insert_or_ignore(connection, forecast_said, rows)


def forget_said(connection: Connection, before: int) -> None:
    """Delete what was said before a moment (epoch ms)."""
    connection.execute(delete(forecast_said).where(forecast_said.c.at < before))
