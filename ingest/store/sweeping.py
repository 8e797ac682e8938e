"""The timed look over the fleet: what became so by the passing of time, not by a report."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from types import MappingProxyType
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import Connection, Engine, Row, select

from ingest.domain.drivers import keep_from
from ingest.domain.programs import Program
from ingest.store import driver_days
from ingest.store.alert_log import Move, alert_row
from ingest.store.database import write
from ingest.store.schema import alert, presence, vehicle
from ingest.store.sweeping_vehicles import still_so, sweep_vehicles, write_moves
from ingest.store.sweeping_vins import sweep_vins
from ingest.store.times import to_ms
from ingest.store.vehicles import all_vehicles

SILENT_AFTER = timedelta(hours=1)
"""How long a gateway may be offline before it counts as silent (a choice of this project)."""
NO_PROGRAMS: Mapping[str, Program] = MappingProxyType({})
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
    programs: Mapping[str, Program] = NO_PROGRAMS,
) -> SweepResult:
    """Raise alerts for monitors not setting and silent gateways as at `as_of`; end those over.

    The run-up to an inspection is that of `programs` and the results entered; for a vehicle whose
    program is not among them, that of the vehicle list. Without `announce` new alerts stand but no
    notice is sent of them (history being written).
    Drivers of days that are past need are deleted.
    """
    now = to_ms(as_of)
    with write(engine) as connection:
        stuck = sweep_vehicles(connection, as_of, now, announce, programs)
        limit = silent_after // timedelta(milliseconds=1)
        silent = _sweep_silent(connection, as_of, limit, announce)
        vins = sweep_vins(connection, now, announce)
        driver_days.purge(connection, keep_from(as_of.date()))
    raised, returned = (sum(counts) for counts in zip(stuck, silent, vins, strict=True))
    return SweepResult(raised, returned)


def _sweep_silent(
    connection: Connection, as_of: datetime, limit: int, announce: bool
) -> tuple[int, int]:
    """A gateway asleep past `wake_by`, or offline longer than the limit, is silent.

    Not one of which the vehicle list expects nothing: laid up, not in use, or taken out.
    """
    now = to_ms(as_of)
    quiet = {
        one.id
        for one in all_vehicles(connection)
        if one.quiet_because(as_of.astimezone(ZoneInfo(one.depot_tz)).date())
    }
    query = select(presence, vehicle.c.id.label("vehicle_id")).join(
        vehicle, vehicle.c.gateway == presence.c.gateway
    )
    known: dict[tuple[int, str], Row[Any]] = {
        (row.vehicle_id, row.subject): row
        for row in connection.execute(select(alert).where(alert.c.kind == SILENT))
    }
    moves: list[Move] = []
    fresh, standing = [], set()
    for row in connection.execute(query):
        since = _silent_since(row, now, limit)
        if since is None or row.vehicle_id in quiet:
            continue
        key = (row.vehicle_id, row.gateway)
        standing.add(key)
        before = known.get(key)
        if before is None:
            fresh.append(_silent_row(row, since, now, announce))
        else:
            moves += still_so(before, since, announce)
    over = [row for key, row in known.items() if key not in standing and row.ended_at is None]
    return write_moves(connection, fresh, moves, over, now)


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
