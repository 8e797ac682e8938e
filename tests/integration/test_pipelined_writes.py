"""Bulk writes whose answers are heard late: what goes wrong is heard all the same, and undone.

PostgreSQL itself judges: its own errors, and rows counted by the server.
"""

from __future__ import annotations

import time
from collections.abc import Iterator

import pytest
from sqlalchemy import Connection, Engine, text

from ingest.store import bulk
from ingest.store.database import Clash, DatabaseTrouble, read, write
from ingest.store.schema import meta
from tests.support.reports import gateway_name, load, opened, report, store, vehicle

pytestmark = pytest.mark.services


@pytest.fixture
def engine(fresh_postgres_url: str) -> Iterator[Engine]:
    with opened(fresh_postgres_url) as engine:
        yield engine


def _note(connection: Connection, *names: str, pause_s: float = 0.0) -> None:
    """One statement a name, as each table is written by one of its own."""
    for name in names:
        bulk.insert(connection, meta, [{"name": name, "value": "x"}])
        time.sleep(pause_s)


def _names(connection: Connection) -> list[str]:
    names = ["one", "two", "three", "four"]
    return [name for (name,) in bulk.select_in(connection, (meta.c.name,), meta.c.name, names)]


def _noted(engine: Engine) -> list[str]:
    with read(engine) as connection:
        return _names(connection)


def _write(engine: Engine, *names: str, reads: bool = False, pause_s: float = 0.0) -> None:
    with write(engine) as connection:
        _note(connection, *names, pause_s=pause_s)
        if reads:
            _names(connection)


@pytest.mark.parametrize("pause_s", [0.0, 0.1], ids=["late", "while more is written"])
@pytest.mark.parametrize("reads", [False, True], ids=["at the commit", "at a read"])
@pytest.mark.parametrize("names", [("one", "one"), ("one", "one", "two")], ids=["last", "before"])
def test_a_key_written_twice_is_a_clash(
    engine: Engine, names: tuple[str, ...], *, reads: bool, pause_s: float
) -> None:
    with pytest.raises(Clash, match=meta.name):
        _write(engine, *names, reads=reads, pause_s=pause_s)

    assert _noted(engine) == []
    _write(engine, "one")
    assert _noted(engine) == ["one"]


@pytest.mark.parametrize("pause_s", [0.0, 0.1])
def test_an_error_of_our_own_is_not_hidden_by_a_clash(engine: Engine, pause_s: float) -> None:
    def write_and_fail() -> None:
        with write(engine) as connection:
            _note(connection, "one", "one", pause_s=pause_s)
            raise LookupError

    with pytest.raises(LookupError):
        write_and_fail()

    assert _noted(engine) == []


def test_a_read_hears_of_the_writes_before_it(engine: Engine) -> None:
    with write(engine) as connection:
        _note(connection, "one", "two", "three")
        found = _names(connection)
        _note(connection, "four")

    assert found == ["one", "three", "two"]
    assert _noted(engine) == ["four", "one", "three", "two"]


def _write_to_a_server_that_leaves(engine: Engine, *, reads: bool) -> None:
    with write(engine) as connection:
        number = connection.execute(text("SELECT pg_backend_pid()")).scalar_one()
        _note(connection, "one")
        with engine.connect() as other:
            other.execute(text("SELECT pg_terminate_backend(:number, 5000)"), {"number": number})
        if reads:
            _names(connection)


@pytest.mark.parametrize("reads", [False, True], ids=["at the commit", "at a read"])
def test_a_server_that_ends_the_session_is_trouble(engine: Engine, *, reads: bool) -> None:
    with pytest.raises(DatabaseTrouble, match="database: "):
        _write_to_a_server_that_leaves(engine, reads=reads)

    assert _noted(engine) == []


def test_a_message_that_postgresql_cannot_take_goes_aside_alone(engine: Engine) -> None:
    load(engine, vehicle(1), vehicle(2))
    with engine.begin() as connection:
        connection.execute(
            text(
                "CREATE FUNCTION poison() RETURNS trigger LANGUAGE plpgsql AS "
                "$$ BEGIN RAISE EXCEPTION 'not this one'; END $$"
            )
        )
        connection.execute(
            text(
                "CREATE TRIGGER poison BEFORE INSERT ON report FOR EACH ROW "
                f"WHEN (new.gateway = '{gateway_name(1)}') EXECUTE FUNCTION poison()"
            )
        )

    assert store(engine, report(1, 1), report(2, 1)) == ["aside", "stored"]
