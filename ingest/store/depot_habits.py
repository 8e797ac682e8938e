"""What the vehicles of a depot have in common: one cause for many, and when the air suits."""

from __future__ import annotations

from datetime import date, datetime
from zoneinfo import ZoneInfo

from sqlalchemy import Connection, select

from gateway.facts import Monitor
from ingest.domain.evap_season import mild_share, season_words
from ingest.domain.explanation import set_back_at
from ingest.domain.stuck_advice import depot_line
from ingest.domain.stuck_causes import Found, causes
from ingest.store import cycle_log, fold_states
from ingest.store.schema import vehicle, vehicle_state
from ingest.store.times import to_ms

EVAP = Monitor.EVAPORATIVE_SYSTEM
YEAR_MS = 366 * 86_400_000


def depot_lines(connection: Connection, depot_name: str | None = None) -> tuple[str, ...]:
    """One line for each depot whose unset evaporative monitors share a cause, by name."""
    query = select(vehicle.c.depot, vehicle_state.c.vehicle_id, vehicle_state.c.state).join(
        vehicle, vehicle.c.id == vehicle_state.c.vehicle_id
    )
    if depot_name is not None:
        query = query.where(vehicle.c.depot == depot_name)
    first: dict[str, list[Found | None]] = {}
    for row in connection.execute(query).all():
        state = fold_states.decode_state(row.state)
        if EVAP not in state.picture.incomplete():
            continue
        since = set_back_at(EVAP, state.picture, state.open)
        cycles = cycle_log.newest_first(connection, row.vehicle_id)
        said = causes(EVAP, state.picture, [one for one in cycles if one.started_at >= since])
        first.setdefault(row.depot, []).append(said[0] if said else None)
    lines = (depot_line(name, found) for name, found in sorted(first.items()))
    return tuple(line for line in lines if line is not None)


def evap_season(
    connection: Connection, depot_name: str, zone: ZoneInfo, today: date, as_of: datetime
) -> str | None:
    """When the air of a depot suits the evaporative monitor, from a year of its driving cycles."""
    start = to_ms(as_of) - YEAR_MS
    cycles = cycle_log.of_depot(connection, depot_name, start, to_ms(as_of))
    return season_words(mild_share(cycles, zone), today)
