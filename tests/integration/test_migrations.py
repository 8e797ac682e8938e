"""Opening a store: new, again, of something else, of a newer edition, or not there at all."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest
from alembic import command
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy import create_engine, inspect, update

from ingest.store.database import (
    APPLICATION_ID,
    DatabaseTrouble,
    NotOurDatabase,
    migrations,
    open_database,
    read,
    write,
)
from ingest.store.schema import meta, metadata
from tests.support.reports import load, opened, vehicle


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.services)])
def url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path}/store.sqlite3"
    return str(request.getfixturevalue("fresh_postgres_url"))


def test_the_migrations_give_exactly_the_tables_of_the_schema(url: str) -> None:
    with opened(url) as engine, read(engine) as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})

        assert compare_metadata(context, metadata) == []


def test_every_migration_but_the_first_goes_back_and_forward_again(url: str) -> None:
    with opened(url) as engine:
        load(engine, vehicle(1))
        config = migrations()
        with write(engine) as connection:
            config.attributes["connection"] = connection
            command.downgrade(config, "0001")
        with read(engine) as connection:
            assert "driving_cycle" not in inspect(connection).get_table_names()
    with opened(url) as engine:
        with read(engine) as connection:
            context = MigrationContext.configure(connection, opts={"compare_type": True})
            assert compare_metadata(context, metadata) == []
        assert load(engine, vehicle(1), request_id="2").unchanged == 1


def test_a_store_opened_again_keeps_what_it_holds(url: str) -> None:
    with opened(url) as engine:
        load(engine, vehicle(1))
    with opened(url) as engine:
        assert load(engine, vehicle(1), request_id="2").unchanged == 1


def test_a_store_of_a_newer_edition_is_refused_unchanged(url: str) -> None:
    with opened(url) as engine, write(engine) as connection:
        connection.exec_driver_sql("UPDATE alembic_version SET version_num = '9999'")

    with pytest.raises(NotOurDatabase, match="newer edition"):
        open_database(url)


def test_tables_of_something_else_are_refused_unchanged(url: str) -> None:
    with opened(url) as engine, write(engine) as connection:
        connection.execute(update(meta).values(value="something else"))

    with pytest.raises(NotOurDatabase, match="something else"):
        open_database(url)


@pytest.mark.services
def test_a_foreign_postgresql_database_is_refused_unchanged(fresh_postgres_url: str) -> None:
    foreign = create_engine(fresh_postgres_url.replace("postgresql://", "postgresql+psycopg://"))
    with foreign.begin() as connection:
        connection.exec_driver_sql("CREATE TABLE vehicle (id integer)")

    with pytest.raises(NotOurDatabase):
        open_database(fresh_postgres_url)
    with foreign.connect() as connection:
        assert inspect(connection).get_table_names() == ["vehicle"]
    foreign.dispose()


def _text(path: Path) -> None:
    path.write_text("unit,vin\n" * 40)


def _foreign(path: Path) -> None:
    connection = sqlite3.connect(path)
    connection.execute("CREATE TABLE vehicle (id INTEGER)")
    connection.commit()
    connection.close()


def _foreign_wal(path: Path) -> None:
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA journal_mode=WAL")
    connection.execute("CREATE TABLE vehicle (id INTEGER)")
    connection.commit()
    connection.close()


@pytest.mark.parametrize("make", [_text, _foreign, _foreign_wal], ids=["text", "SQLite", "WAL"])
def test_a_file_that_is_not_ours_is_refused_byte_for_byte_unchanged(
    tmp_path: Path, make: object
) -> None:
    path = tmp_path / "other"
    make(path)  # type: ignore[operator]
    before = path.read_bytes()

    with pytest.raises(NotOurDatabase) as caught:
        open_database(f"sqlite:///{path}")

    assert str(path) in str(caught.value)
    assert path.read_bytes() == before
    assert [one.name for one in tmp_path.iterdir()] == ["other"]


def test_a_file_left_half_made_by_a_crash_is_opened(tmp_path: Path) -> None:
    path = tmp_path / "store"
    connection = sqlite3.connect(path)
    connection.execute(f"PRAGMA application_id={APPLICATION_ID}")  # and then the power went
    connection.close()

    with opened(f"sqlite:///{path}") as engine:
        load(engine, vehicle(1))


def _half_moved(folder: Path) -> Path:
    """A store as a kill leaves it while SQLite moves the log into the file: page 1 went first."""
    path = folder / "store"
    with opened(f"sqlite:///{path}"):
        pass
    before = path.stat().st_size
    connection = sqlite3.connect(path, isolation_level=None)
    connection.execute("PRAGMA wal_autocheckpoint=0")
    connection.execute("CREATE TABLE ballast (bytes BLOB)")
    connection.execute("INSERT INTO ballast VALUES (zeroblob(200000))")
    journal = Path(f"{path}-wal").read_bytes()
    connection.execute("PRAGMA wal_checkpoint(FULL)")
    after = path.read_bytes()
    connection.close()
    path.write_bytes(after[:before])
    Path(f"{path}-wal").write_bytes(journal)
    return path


def test_a_store_killed_while_its_log_was_moved_into_the_file_is_opened(tmp_path: Path) -> None:
    path = _half_moved(tmp_path)

    with opened(f"sqlite:///{path}") as engine, read(engine) as connection:
        assert connection.exec_driver_sql("SELECT length(bytes) FROM ballast").scalar() == 200_000
        assert connection.exec_driver_sql("PRAGMA integrity_check").scalar() == "ok"


def test_a_store_that_lost_its_end_is_trouble_and_named(tmp_path: Path) -> None:
    path = _half_moved(tmp_path)
    Path(f"{path}-wal").unlink()

    with pytest.raises(DatabaseTrouble, match="malformed"):
        open_database(f"sqlite:///{path}")


@pytest.mark.parametrize(
    "url",
    [
        "sqlite:////nowhere/at/all/store",
        "postgresql://nobody@127.0.0.1:1/none",
    ],
    ids=["no directory", "no server"],
)
def test_a_database_that_is_not_there_is_trouble_not_a_fault(url: str) -> None:
    with pytest.raises(DatabaseTrouble):
        open_database(url)


@pytest.mark.parametrize("url", ["sqlite://", "sqlite:///:memory:"])
def test_a_store_in_memory_is_refused(url: str) -> None:
    with pytest.raises(NotOurDatabase, match="lose everything"):
        open_database(url)


def test_sqlite_is_kept_in_wal_with_full_sync_and_references_checked(tmp_path: Path) -> None:
    with opened(f"sqlite:///{tmp_path}/store") as engine, read(engine) as connection:
        pragmas = {
            name: connection.exec_driver_sql(f"PRAGMA {name}").scalar()
            for name in ("journal_mode", "synchronous", "foreign_keys")
        }

    assert pragmas == {"journal_mode": "wal", "synchronous": 2, "foreign_keys": 1}
