"""Fold states as rows: the present one of each vehicle, and the checkpoints behind it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import msgspec
from sqlalchemy import Connection, Row, delete, literal, select, tuple_

from ingest.domain import checkpoints as ladder
from ingest.domain import episodes as rules
from ingest.domain.episodes import VehicleState
from ingest.store import bulk
from ingest.store.schema import fold_checkpoint, vehicle_state

Position = tuple[int, int, str, int]
"""(fitting start, journal_created_at, journal, seq): the order in which a vehicle is folded."""
FIRST: Position = (-1, -1, "", 0)

_encoder = msgspec.msgpack.Encoder()
_decoder = msgspec.msgpack.Decoder(VehicleState)
_PLACE = tuple_(
    fold_checkpoint.c.last_fitted_from,
    fold_checkpoint.c.last_created_at,
    fold_checkpoint.c.last_journal,
    fold_checkpoint.c.last_seq,
)


@dataclass(frozen=True, slots=True)
class Checkpoint:
    """The state after `reports` reports of a vehicle, the last of them at `position`."""

    reports: int
    position: Position
    state: VehicleState


BEGINNING = Checkpoint(0, FIRST, rules.start())
"""Where a vehicle is folded from when nothing of it is kept."""


def encode_state(state: VehicleState) -> bytes:
    """The bytes a state is kept as."""
    return _encoder.encode(state)


def decode_state(data: bytes) -> VehicleState:
    """The state of kept bytes."""
    return _decoder.decode(data)


def position_of_row(row: Row[Any]) -> Position:
    """The place of the last report that a row of either table has folded."""
    return (row.last_fitted_from, row.last_created_at, row.last_journal, row.last_seq)


def values(vehicle_id: int, reached: Checkpoint) -> dict[str, Any]:
    """The columns that both tables have."""
    position = reached.position
    return {
        "vehicle_id": vehicle_id,
        "reports": reached.reports,
        "fold_version": reached.state.fold_version,
        "last_fitted_from": position[0],
        "last_created_at": position[1],
        "last_journal": position[2],
        "last_seq": position[3],
        "state": encode_state(reached.state),
    }


def save(connection: Connection, reached: Iterable[tuple[int, Checkpoint]], stamp: int) -> None:
    """Write the present states, by vehicle, under the stamp of this transaction."""
    rows = [values(vehicle_id, one) | {"stamp": stamp} for vehicle_id, one in reached]
    bulk.upsert(connection, vehicle_state, rows)


def add_checkpoints(connection: Connection, made: Sequence[tuple[int, Checkpoint]]) -> None:
    """Store checkpoints (vehicle, state) in the order of folding; those past their age go."""
    if not made:
        return
    reached = {vehicle_id: one.reports for vehicle_id, one in made}
    gone = [
        {"vehicle_id": vehicle_id, "reports": number}
        for vehicle_id, one in made
        for number in ladder.expired(one.reports)
    ]
    bulk.delete(connection, fold_checkpoint, gone)
    rows = [
        values(vehicle_id, one)
        for vehicle_id, one in made
        if ladder.is_kept(one.reports, reached[vehicle_id])
    ]
    bulk.upsert(connection, fold_checkpoint, rows)


def checkpoint_before(connection: Connection, vehicle_id: int, position: Position) -> Checkpoint:
    """The last good checkpoint before a place in the order of a vehicle, or its beginning."""
    query = (
        select(fold_checkpoint)
        .where(
            fold_checkpoint.c.vehicle_id == vehicle_id,
            fold_checkpoint.c.fold_version == rules.FOLD_VERSION,
            tuple_(*(literal(part) for part in position)) > _PLACE,
        )
        .order_by(fold_checkpoint.c.reports.desc())
        .limit(1)
    )
    row = connection.execute(query).one_or_none()
    return BEGINNING if row is None else _checkpoint(row)


def place_before(connection: Connection, vehicle_id: int, moment: int) -> Position:
    """The place of the last checkpoint made before a moment (epoch ms), or the beginning.

    What was observed at that moment or later comes after it, unless a clock was set back since.
    """
    query = (
        select(fold_checkpoint)
        .where(fold_checkpoint.c.vehicle_id == vehicle_id)
        .order_by(fold_checkpoint.c.reports.desc())
    )
    for row in connection.execute(query):
        seen_at = _checkpoint(row).state.picture.last_seen_at
        if seen_at is not None and seen_at < moment:
            return position_of_row(row)
    return FIRST


def forget_checkpoints(connection: Connection, vehicle_id: int, above: int) -> None:
    """Forget the checkpoints of a vehicle after more than `above` reports."""
    connection.execute(
        delete(fold_checkpoint).where(
            fold_checkpoint.c.vehicle_id == vehicle_id, fold_checkpoint.c.reports > above
        )
    )


def checkpoints(connection: Connection, vehicle_id: int) -> list[Checkpoint]:
    """All checkpoints of a vehicle, in order."""
    query = (
        select(fold_checkpoint)
        .where(fold_checkpoint.c.vehicle_id == vehicle_id)
        .order_by(fold_checkpoint.c.reports)
    )
    return [_checkpoint(row) for row in connection.execute(query)]


def _checkpoint(row: Row[Any]) -> Checkpoint:
    return Checkpoint(row.reports, position_of_row(row), decode_state(row.state))
