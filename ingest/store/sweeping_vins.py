"""Gateways that read another VIN than that of the vehicle they are listed in."""

from __future__ import annotations

from typing import Any

from sqlalchemy import Connection, Row, select

from ingest.store import fold_states
from ingest.store.alert_log import Move, alert_row
from ingest.store.dead_letters import storable
from ingest.store.schema import alert, vehicle, vehicle_state
from ingest.store.sweeping_vehicles import still_so, write_moves

KIND = "vin_differs"
_INSTRUCTION = (
    "Nothing for the driver to do. Look which vehicle the gateway sits in, and mend the vehicle "
    "list: readings under the other VIN are kept apart until then."
)
_FIELD = b"vin_mismatch"


def sweep_vins(connection: Connection, now: int, announce: bool) -> tuple[int, int]:
    """Raise and end the alerts of VINs that differ; return how many of each."""
    known: dict[tuple[int, str], Row[Any]] = {
        (row.vehicle_id, row.subject): row
        for row in connection.execute(select(alert).where(alert.c.kind == KIND))
    }
    units = {row.vin: row.unit for row in connection.execute(select(vehicle.c.vin, vehicle.c.unit))}
    moves: list[Move] = []
    fresh, standing = [], set()
    for vehicle_id, vin, since in _differing(connection):
        standing.add((vehicle_id, vin))
        before = known.get((vehicle_id, vin))
        if before is None:
            fresh.append(_row(vehicle_id, vin, units.get(vin), since, now, announce))
        else:
            moves += still_so(before, since, announce)
    over = [row for key, row in known.items() if key not in standing and row.ended_at is None]
    return write_moves(connection, fresh, moves, over, now)


def _differing(connection: Connection) -> list[tuple[int, str, int]]:
    """Vehicles, the other VIN read, and since when (epoch ms)."""
    found = []
    for row in connection.execute(select(vehicle_state.c.vehicle_id, vehicle_state.c.state)):
        if _FIELD not in bytes(row.state):  # not stored while there is none: spares the decoding
            continue
        picture = fold_states.decode_state(row.state).picture
        if picture.vin_mismatch is not None:
            vin = storable(picture.vin_mismatch)
            found.append((row.vehicle_id, vin, picture.vin_mismatch_at or 0))
    return found


def _row(
    vehicle_id: int, vin: str, unit: str | None, since: int, now: int, announce: bool
) -> dict[str, Any]:
    whose = "no vehicle of the list" if unit is None else f"unit {unit}"
    return alert_row(
        vehicle_id,
        KIND,
        vin,
        None,
        priority="medium",
        since=since,
        ended_at=None,
        text=f"Its gateway reads VIN {vin}, that of {whose}: nothing of it is counted here.",
        instruction=_INSTRUCTION,
        now=now,
        announce=announce,
    )
