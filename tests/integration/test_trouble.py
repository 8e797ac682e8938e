"""What counts as trouble of the database, and what is set aside as a fault of a message.

The errors are those that SQLite and PostgreSQL themselves give; nothing is raised by hand.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from sqlalchemy import Engine, create_engine, make_url, text
from sqlalchemy.exc import DBAPIError

from ingest.store.database import is_trouble
from tests.support.reports import gateway_name, load, opened, report, store, vehicle


@pytest.fixture
def engine(store_url_of_either: str) -> Iterator[Engine]:
    with opened(store_url_of_either) as engine:
        yield engine


@pytest.fixture
def lite(tmp_path: Path) -> Iterator[Engine]:
    with opened(f"sqlite:///{tmp_path}/store.sqlite3") as engine:
        yield engine


def _error(engine: Engine, *statements: str) -> DBAPIError:
    with engine.connect() as connection:
        for one in statements[:-1]:
            connection.execute(text(one))
        with pytest.raises(DBAPIError) as caught:
            connection.execute(text(statements[-1]))
    return caught.value


@pytest.mark.parametrize(
    "statement", ["SELECT * FROM nowhere", "SELECT nothing FROM report", "SELEC 1"]
)
def test_a_wrong_statement_is_no_trouble(engine: Engine, statement: str) -> None:
    assert not is_trouble(_error(engine, statement))


def test_a_lock_of_sqlite_is_trouble(lite: Engine) -> None:
    other = create_engine(lite.url, connect_args={"timeout": 0})
    with closing(lite.raw_connection()) as held:
        held.cursor().execute("BEGIN EXCLUSIVE")
        assert is_trouble(_error(other, "CREATE TABLE another (id INTEGER)"))
    other.dispose()


def test_a_full_disk_of_sqlite_is_trouble(lite: Engine) -> None:
    full = "PRAGMA max_page_count = 1"  # SQLite then answers as on a full disk
    fill = "CREATE TABLE another AS SELECT zeroblob(100000) AS much"
    assert is_trouble(_error(lite, full, fill))


@pytest.mark.services
def test_a_session_ended_by_the_server_is_trouble(fresh_postgres_url: str) -> None:
    with opened(fresh_postgres_url) as engine, engine.connect() as victim:
        number = victim.execute(text("SELECT pg_backend_pid()")).scalar_one()
        with engine.connect() as other:
            other.execute(text("SELECT pg_terminate_backend(:number)"), {"number": number})
        with pytest.raises(DBAPIError) as caught:
            victim.execute(text("SELECT 1"))
        assert is_trouble(caught.value)


@pytest.mark.services
def test_a_lock_of_postgresql_is_trouble(fresh_postgres_url: str) -> None:
    with opened(fresh_postgres_url) as engine, engine.connect() as holder:
        holder.execute(text("LOCK TABLE report IN ACCESS EXCLUSIVE MODE"))
        wait = "SET lock_timeout = '50ms'"
        assert is_trouble(_error(engine, wait, "SELECT count(*) FROM report"))


@pytest.mark.services
def test_a_server_that_is_not_there_is_trouble(fresh_postgres_url: str, free_port: int) -> None:
    nobody = create_engine(make_url(fresh_postgres_url).set(host="127.0.0.1", port=free_port))
    with pytest.raises(DBAPIError) as caught:
        nobody.connect()
    assert is_trouble(caught.value)


def test_a_message_that_sqlite_cannot_take_goes_aside_alone(lite: Engine) -> None:
    """The driver calls it OperationalError, as it does a lock: no endless retry comes of it."""
    load(lite, vehicle(1), vehicle(2))
    with lite.begin() as connection:
        connection.execute(
            text(
                "CREATE TRIGGER poison BEFORE INSERT ON report "
                f"WHEN new.gateway = '{gateway_name(1)}' BEGIN SELECT json('no JSON'); END"
            )
        )

    assert store(lite, report(1, 1), report(2, 1)) == ["aside", "stored"]
