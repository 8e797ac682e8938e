"""The ordinary traffic of a vehicle's bus: frames the controllers send one another unasked.

Ids and layouts are our own invention, below the ids of diagnosis (7DF and up; ISO 15765-4, B). A
gateway that listens first hears these before it asks anything.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from fleet_demo.sensors import Live, whole

BEAT_S = 1.0
"""Length of one round of broadcasts."""
ENGINE_ID, ROAD_ID, BODY_ID = 0x0C8, 0x1A6, 0x3D4


@dataclass(frozen=True, slots=True)
class Broadcast:
    """One frame to send `after_s` into the beat; ids beyond 7FF are 29-bit ids."""

    after_s: float
    can_id: int
    data: bytes


def ordinary(live: Live) -> Iterator[Broadcast]:
    """Yield what a light vehicle's controllers send within one beat, in order of time."""
    engine = whole(live.rpm * 4, 0xFFFF).to_bytes(2, "big")
    road = whole(live.speed_kmh * 100, 0xFFFF).to_bytes(2, "big")
    for turn in range(4):
        yield Broadcast(turn * 0.25, ENGINE_ID, engine + bytes(5) + bytes((turn,)))
        if turn % 2 == 0:
            yield Broadcast(turn * 0.25 + 0.1, ROAD_ID, road + bytes(6))
    body = bytes((whole(live.coolant_c + 40, 0xFF), whole(live.fuel_pct, 100)))
    yield Broadcast(0.9, BODY_ID, body + bytes(2))
