"""A store with something in most tables, and what a store holds."""

from __future__ import annotations

from ingest import handlers
from ingest.store.contents import TableSum, contents
from ingest.store.database import read
from tests.support.reports import NOW, history, load, opened, store, vehicle

VEHICLES, LENGTH = 4, 60


def fill(url: str) -> dict[str, TableSum]:
    """A store with something in most tables; what it holds."""
    with opened(url) as engine:
        load(engine, *(vehicle(number) for number in range(1, VEHICLES + 1)))
        for number in range(1, VEHICLES + 1):
            store(engine, *history(number, LENGTH))
        handlers.store_batch(engine, [handlers.Incoming("fleet/nonsense", b"\0\xff", NOW)])
        handlers.sweep(engine, NOW)
    return held_in(url)


def held_in(url: str) -> dict[str, TableSum]:
    with opened(url) as engine, read(engine) as connection:
        return contents(connection)
