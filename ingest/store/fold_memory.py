"""Fold states kept in memory, so that those of vehicles heard often are not read and decoded anew.

An entry is good under one condition, checked in the writing transaction that uses it: the row still
bears the stamp under which the state was written. Every transaction that writes states draws a
stamp of its own, so whatever another process wrote, a restore brought back or a crash undid, the
entry is passed over and the row is read.
"""

from __future__ import annotations

import secrets
from collections import OrderedDict
from collections.abc import Mapping

from ingest.domain.episodes import VehicleState

LIMIT = 5_000
"""Vehicles remembered; a state takes about 10 kB of memory."""


def new_stamp() -> int:
    """A number that no other transaction has: 63 random bits, never 0."""
    return secrets.randbits(63) or 1


class FoldMemory:
    """The states last written by this process, by vehicle. For one writer at a time."""

    def __init__(self, limit: int = LIMIT) -> None:
        self._limit = limit
        self._states: OrderedDict[int, tuple[int, VehicleState]] = OrderedDict()

    def get(self, vehicle_id: int, stamp: int) -> VehicleState | None:
        """The state written under this stamp, if it is remembered."""
        held = self._states.get(vehicle_id)
        return held[1] if held is not None and held[0] == stamp else None

    def keep(self, stamp: int, states: Mapping[int, VehicleState]) -> None:
        """Remember what a transaction wrote, once it is committed."""
        for vehicle_id, state in states.items():
            self._states[vehicle_id] = (stamp, state)
            self._states.move_to_end(vehicle_id)
        while len(self._states) > self._limit:
            self._states.popitem(last=False)
