"""Keys of reports that gather in one table and move into another: nothing shows where they stand.

The reference is the plain rows of the reports, or what was sent.
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from sqlalchemy import Connection, Engine, event, func, select

from gateway import contract
from ingest.handlers import store_batch
from ingest.store import report_keys
from ingest.store.ask_log import heard_since
from ingest.store.database import Clash, DatabaseTrouble, read, write
from ingest.store.schema import report, report_key_recent
from ingest.store.tracing import trace
from tests.support.databases import NewUrl
from tests.support.reports import ecu, gateway_name, incoming, load, opened, store, vehicle
from tests.support.reports import report as made
from tests.support.stored_keys import stored_keys

GATEWAYS, LENGTH = 3, 41
MOVED = 10
"""Keys that move at once here: each seq is one batch of three, so that the last ones wait."""


@pytest.fixture
def engine(new_url: NewUrl, monkeypatch: pytest.MonkeyPatch) -> Iterator[Engine]:
    """A store of the run's own kind in which most keys have moved, and a few wait."""
    monkeypatch.setattr(report_keys, "GATHERED", MOVED)
    with opened(new_url()) as one:
        load(one, *(vehicle(number) for number in range(1, GATEWAYS + 1)))
        for seq in range(1, LENGTH + 1):
            store(one, *(made(number, seq) for number in range(1, GATEWAYS + 1)))
        yield one


def _by_table(connection: Connection) -> list[int]:
    return [
        connection.execute(select(func.count()).select_from(table)).scalar_one()
        for table in report_keys.tables(connection)
    ]


def test_each_report_has_one_key_and_most_have_moved(engine: Engine) -> None:
    columns = (report.c.gateway, report.c.journal, report.c.seq, report.c.id)
    with read(engine) as connection:
        rows = sorted(map(tuple, connection.execute(select(*columns))))
        moved, *waiting = _by_table(connection)
    assert len(rows) == moved + sum(waiting) == GATEWAYS * LENGTH
    assert moved > GATEWAYS * LENGTH - MOVED
    assert not waiting or 0 < waiting[0] < MOVED
    assert sorted(map(tuple, stored_keys(engine))) == rows


def test_what_comes_again_is_known_wherever_its_key_stands(engine: Engine) -> None:
    again = [made(number, seq) for seq in range(1, LENGTH + 1) for number in (1, 2, 3)]
    assert set(store(engine, *again)) == {"duplicate"}
    other = [made(1, seq, ecus={"7E8": ecu(mil=True)}) for seq in (1, LENGTH)]
    for outcome in store_batch(engine, [incoming(one) for one in other]):
        assert outcome.status == "aside"
        assert "key conflict" in outcome.reasons[0]
    assert len(stored_keys(engine)) == GATEWAYS * LENGTH


def test_a_key_stored_by_another_writer_breaks_the_transaction(engine: Engine) -> None:
    key = (gateway_name(1), made(1, LENGTH).journal, LENGTH)
    with read(engine) as connection:
        row_id = report_keys.row_ids(connection, [key])[key]
    with pytest.raises(Clash), write(engine) as connection:
        report_keys.add(connection, [(*key, row_id)])


def test_the_newest_report_is_that_of_the_highest_number(engine: Engine) -> None:
    """A late report waits although newer ones have moved."""
    late = LENGTH + 1
    filling = [made(2, seq) for seq in range(late, late + MOVED)]
    store(engine, made(1, late + 1, reason="full"), *filling)
    store(engine, made(1, late))
    with read(engine) as connection:
        key = (gateway_name(1), made(1, late).journal, late + 1)
        newest = report_keys.newest_row_id(connection, *key[:2])
        assert newest == report_keys.row_ids(connection, [key])[key]
        assert report_keys.newest_row_id(connection, "gw-none", key[1]) is None
        assert dict(heard_since(connection, 0))[gateway_name(1)].newest_reason == "full"


def test_every_number_is_traced_to_its_report(engine: Engine) -> None:
    with read(engine) as connection:
        for seq in range(1, LENGTH + 1):
            (found,) = trace(connection, gateway_name(2), seq)
            sent = contract.encode(made(2, seq))
            assert (found.outcome, found.digest) == ("stored", contract.digest(sent))


def test_a_move_that_breaks_off_leaves_every_key_where_it_was(engine: Engine) -> None:
    with read(engine) as connection:
        if report_key_recent not in report_keys.tables(connection):
            pytest.skip("keys do not move on this kind of database")
        before = _by_table(connection)

    def fail(_c: object, _cursor: object, statement: str, *_: object) -> None:
        if statement.startswith("DELETE FROM report_key_recent"):
            raise DatabaseTrouble("the disk is gone")

    event.listen(engine, "before_cursor_execute", fail)
    batch = [incoming(made(1, LENGTH + 1 + n)) for n in range(MOVED)]
    with pytest.raises(DatabaseTrouble):
        store_batch(engine, batch)
    event.remove(engine, "before_cursor_execute", fail)

    with read(engine) as connection:
        assert _by_table(connection) == before
    assert {one.status for one in store_batch(engine, batch)} == {"stored"}
    assert len(stored_keys(engine)) == GATEWAYS * LENGTH + MOVED
