"""A store with something in most tables, and what a store holds."""

from __future__ import annotations

from datetime import timedelta

import msgspec

from gateway import contract
from ingest import handlers
from ingest.arrival import Arrival
from ingest.store.contents import TableSum, contents
from ingest.store.database import read
from tests.support.reports import NOW, START, history, load, opened, store, vehicle

VEHICLES, LENGTH = 4, 60


def fill(url: str) -> dict[str, TableSum]:
    """A store with something in most tables; what it holds."""
    with opened(url) as engine:
        load(engine, *(vehicle(number) for number in range(1, VEHICLES + 1)))
        for number in range(1, VEHICLES + 1):
            first, *others = history(number, LENGTH)
            store(engine, msgspec.structs.replace(first, driving_cycle=_cycle()), *others)
        handlers.store_batch(engine, [Arrival("fleet/nonsense", b"\0\xff", NOW)])
        handlers.sweep(engine, NOW)
    return held_in(url)


def _cycle() -> contract.DrivingCycle:
    ended = START + timedelta(hours=1)
    return contract.DrivingCycle(
        started_at=contract.format_time(ended - timedelta(minutes=40)),
        ended_at=contract.format_time(ended),
        propulsion_on_s=2400.0,
        engine_on_s=2390.0,
        distance_km=31.0,
    )


def held_in(url: str) -> dict[str, TableSum]:
    with opened(url) as engine, read(engine) as connection:
        return contents(connection)
