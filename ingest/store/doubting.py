"""What does not fit of several vehicles at once: what stands now, and what was seen since a day."""

from __future__ import annotations

from collections.abc import Iterable

from sqlalchemy import Connection

from ingest.domain.doubts import Doubt
from ingest.domain.episodes import Episode
from ingest.domain.integrity import EVENTS, doubts
from ingest.domain.picture import Picture
from ingest.domain.vehicles import Vehicle
from ingest.store import bulk, episode_log, repair_log
from ingest.store.schema import episode

_KINDS = ", ".join(f"'{kind}'" for kind in EVENTS)


def doubts_since(
    connection: Connection, known: Iterable[tuple[Vehicle, Picture | None]], since: int
) -> list[tuple[Vehicle, Doubt]]:
    """Doubts by vehicle, in the order given; of the past only from `since` (epoch ms) on."""
    vehicles = [(one, picture) for one, picture in known if one.id is not None]
    events: dict[int, list[Episode]] = {}
    where = f"kind IN ({_KINDS}) AND started_at >= {since:d} AND withdrawn_reason IS NULL"
    ids = [one.id for one, _ in vehicles]
    for row in bulk.select_in(connection, list(episode.c), episode.c.vehicle_id, ids, where=where):
        events.setdefault(row.vehicle_id, []).append(episode_log.episode_of(row))
    found: list[tuple[Vehicle, Doubt]] = []
    for one, picture in vehicles:
        number = one.id or 0
        mine = events.get(number, [])
        cleared = any(event.kind == "clear" for event in mine)
        repairs = repair_log.of_vehicle(connection, number) if cleared else ()
        found += [(one, doubt) for doubt in doubts(one, picture, mine, repairs)]
    return found
