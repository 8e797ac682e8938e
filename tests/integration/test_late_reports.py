"""A late report folded in from the last checkpoint gives what the fold from the beginning gives.

The reference is `rebuild(check=True)`, which folds every stored report of the vehicle from the
first one, and the same reports stored in order.
"""

from __future__ import annotations

from unittest.mock import patch

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import Engine, select

from ingest import handlers
from ingest.domain import checkpoints
from ingest.handlers import FoldMemory
from ingest.store import fold_states
from ingest.store.database import read
from ingest.store.rebuilding import snapshot
from ingest.store.schema import episode
from tests.support.databases import NewUrl
from tests.support.reports import NOW, history, incoming, load, opened, vehicle

LENGTH = 60
EVERY = 4
"""Closer together than in use, so that a short life has many checkpoints, and thinned-out ones."""


def _ids(engine: Engine) -> dict[int, tuple[str, str]]:
    """What stands, by id: identities are kept while the thing itself still stands."""
    with read(engine) as connection:
        rows = connection.execute(select(episode).where(episode.c.withdrawn_reason.is_(None)))
        return {row.id: (row.kind, row.subject) for row in rows}


def _in_order(url: str, seed: int) -> dict[str, object]:
    with opened(url) as engine:
        load(engine, vehicle(1))
        handlers.store_batch(engine, [incoming(one) for one in history(1, LENGTH, seed)])
        return snapshot(engine)


# The fixture only makes stores: each example asks it for new ones.
@settings(max_examples=12, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.integers(1, 10_000),
    st.lists(st.integers(0, LENGTH - 2), min_size=1, max_size=6, unique=True),
)
def test_late_reports_give_what_the_fold_from_the_beginning_gives(
    new_url: NewUrl, seed: int, late: list[int]
) -> None:
    reports = history(1, LENGTH, seed)
    with patch.object(checkpoints, "EVERY", EVERY):
        wanted = _in_order(new_url(), seed)
        with opened(new_url()) as engine:
            load(engine, vehicle(1))
            memory = FoldMemory()
            rest = [one for number, one in enumerate(reports) if number not in late]
            handlers.store_batch(engine, [incoming(one) for one in rest], memory)
            with read(engine) as connection:
                assert len(fold_states.checkpoints(connection, 1)) > 2
            for number in late:
                before = _ids(engine)
                handlers.store_batch(engine, [incoming(reports[number])], memory)
                assert handlers.rebuild(engine, check=True, now=NOW).differences == ()
                after = _ids(engine)
                assert all(after[one] == before[one] for one in before.keys() & after.keys())
            assert snapshot(engine) == wanted
