"""What the vehicles of a depot have in common: one cause for many, and when the air suits."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from datetime import datetime
from zoneinfo import ZoneInfo

from sqlalchemy import Connection, select

from gateway.facts import Monitor
from ingest.domain.evap_season import Starts, cold_starts, mild_share
from ingest.domain.explanation import set_back_at
from ingest.domain.stuck_advice import depot_line
from ingest.domain.stuck_causes import Found, causes
from ingest.store import cycle_log, fold_states
from ingest.store.schema import vehicle, vehicle_state
from ingest.store.times import to_ms

EVAP = Monitor.EVAPORATIVE_SYSTEM
YEAR_MS = 366 * 86_400_000
SOME = 30
"""So many vehicles share their depot's air well enough (X)."""
Air = Mapping[int, float]


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
        cycles = cycle_log.newest_first(connection, row.vehicle_id, since)
        said = causes(EVAP, state.picture, [one for one in cycles if one.started_at >= since])
        first.setdefault(row.depot, []).append(said[0] if said else None)
    lines = (depot_line(name, found) for name, found in sorted(first.items()))
    return tuple(line for line in lines if line is not None)


def air(connection: Connection, depot_name: str, zone: ZoneInfo, as_of: datetime) -> Air:
    """When the air of a depot suits the evaporative monitor, from a year of driving cycles of some
    of its vehicles: the share of suited cold starts by month.
    """
    query = select(vehicle.c.id).where(vehicle.c.depot == depot_name).order_by(vehicle.c.id)
    seen: Starts = Counter()
    for number in connection.execute(query.limit(SOME)).scalars():
        year = cycle_log.newest_first(connection, number, to_ms(as_of) - YEAR_MS)
        seen.update(cold_starts((one for one in year if one.observed_at <= to_ms(as_of)), zone))
    return mild_share(seen)
