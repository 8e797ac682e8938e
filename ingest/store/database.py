"""The one engine factory, and the only place that knows one database from another."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager, suppress
from pathlib import Path
from typing import Any

import psycopg
from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import (
    URL,
    Connection,
    Engine,
    ExecutionContext,
    create_engine,
    event,
    insert,
    inspect,
    make_url,
    select,
)
from sqlalchemy.exc import (
    ArgumentError,
    DBAPIError,
    IntegrityError,
    InterfaceError,
    OperationalError,
)

from ingest.store.schema import meta

BUSY_TIMEOUT_S = 10
APPLICATION_ID = 0x464C5431
"""Marks an SQLite file as ours (PRAGMA application_id); any other file is refused."""
_WAITS = {
    "connect_timeout": "10",  # s
    "keepalives_idle": "10",  # s
    "keepalives_interval": "5",  # s
    "keepalives_count": "4",
    "tcp_user_timeout": "30000",  # ms
}
"""A server that is gone without a word (power, firewall) is trouble after about 30 s, not after the
quarter of an hour of the system's own retries (libpq, "Parameter Key Words"; Linux tcp(7),
tcp_retries2; from memory). What the URL says goes before."""
_MARK = "fleet emissions-readiness store"
_MIGRATIONS = Path(__file__).parent / "migrations"
_WRITE = "fleet_write"
BULK = "fleet_bulk"
"""Execution option of a statement that writes and whose answer nobody reads."""
_WAL_PAGES = 8_000
"""Pages of 4 KiB in the write-ahead log before they are moved into the file. Each vehicle's reports
end in pages of their own, which every batch writes again: moved at SQLite's own 1,000 pages, they
would be written twice a batch."""
_CACHE_KIB = 32 * 1024
"""What one connection keeps of the file: the pages that a fleet of some thousands writes to."""

_SQLITE_TROUBLE = frozenset(
    {
        sqlite3.SQLITE_BUSY,
        sqlite3.SQLITE_LOCKED,
        sqlite3.SQLITE_PROTOCOL,
        sqlite3.SQLITE_NOMEM,
        sqlite3.SQLITE_READONLY,
        sqlite3.SQLITE_IOERR,
        sqlite3.SQLITE_CORRUPT,
        sqlite3.SQLITE_NOTADB,
        sqlite3.SQLITE_FULL,
        sqlite3.SQLITE_CANTOPEN,
    }
)
"""Primary result codes (SQLite, "Result and Error Codes"; from memory)."""
_POSTGRESQL_TROUBLE = ("08", "25006", "40", "53", "55P03", "57", "58", "XX001", "XX002")
"""SQLSTATE classes and codes: connection, read-only, roll-back (deadlock), resources, lock,
operator (shut down), system, damaged data (PostgreSQL, appendix A; from memory)."""


class NotOurDatabase(Exception):
    """The database was not made by this program, or by a newer edition: nothing was changed."""


class DatabaseTrouble(Exception):
    """The database is not there, is locked or is full: nothing was stored, try again later."""


class Clash(Exception):
    """A row would stand twice under one key, or refers to one that is not there."""


def open_database(url: str, *, new: bool = True) -> Engine:
    """Open the database at `url`, making or migrating its tables.

    Unless a `new` one may be made, a file that is not there is trouble: who only reads has named
    the wrong one. Raises `NotOurDatabase` when something else lives there, `DatabaseTrouble` when
    it cannot be reached.
    """
    parsed = parse_url(url)
    if parsed.get_backend_name() == "postgresql":
        parsed = parsed.set(drivername="postgresql+psycopg")
        waits = {name: text for name, text in _WAITS.items() if name not in parsed.query}
        engine = create_engine(parsed.update_query_dict(waits), pool_pre_ping=True)
        _pipeline_bulk_writes(engine)
    elif parsed.get_backend_name() == "sqlite":
        _refuse_foreign_file(parsed.database, new=new)
        engine = create_engine(parsed, connect_args={"timeout": BUSY_TIMEOUT_S})
        _prepare_sqlite(engine)
    else:
        raise NotOurDatabase(f"{parsed.drivername}: expected sqlite or postgresql")
    try:
        _migrate(engine, parsed.render_as_string(hide_password=True))
    except Exception as error:
        engine.dispose()
        if isinstance(error, OperationalError | InterfaceError) or (
            isinstance(error, DBAPIError) and is_trouble(error)
        ):
            raise DatabaseTrouble(f"database cannot be opened: {_said(error)}") from error
        raise
    return engine


def parse_url(url: str) -> URL:
    """The parts of a database URL, or `NotOurDatabase`; it is not shown, for its password."""
    try:
        return make_url(url)
    except (ArgumentError, ValueError) as error:
        expected = "expected sqlite:///FILE or postgresql://USER@HOST:PORT/NAME"
        raise NotOurDatabase(f"--database: cannot be read as a URL, {expected}") from error


def _refuse_foreign_file(name: str | None, *, new: bool) -> None:
    """Look at an existing file without changing it; mark a new one as ours, where one may be."""
    if not name or name == ":memory:":
        raise NotOurDatabase("a database in memory would lose everything: expected a file")
    path = Path(name)
    if not new and not path.exists():
        raise DatabaseTrouble(
            f"{path}: no such database file; is --data or --database right? "
            "Loading a vehicle list makes a new one"
        )
    if not path.parent.is_dir():
        raise DatabaseTrouble(f"{path.parent}: no such directory for the database file")
    try:
        if not path.exists() or path.stat().st_size == 0:
            _mark_new_file(path)
            return
        refuse_unless_marked(path)
    except OSError as error:
        raise DatabaseTrouble(f"{path}: {error.strerror}") from error


def refuse_unless_marked(path: Path) -> None:
    """Raise `NotOurDatabase` unless the file bears our mark; nothing is written beside it.

    The file is opened by SQLite only: closing it ourselves would drop every lock that this process
    holds on it (POSIX advisory locks; sqlite.org/howtocorrupt.html, section 2.2, from memory).
    Who is killed while moving the write-ahead log into the file leaves a first page that counts
    pages still to come. SQLite mends that when it opens the file with its log, and takes it for
    damage here, unless the schema is writable.
    """
    try:
        connection = sqlite3.connect(f"{path.absolute().as_uri()}?immutable=1", uri=True)
        with closing(connection):
            connection.execute("PRAGMA writable_schema=ON")
            mark = connection.execute("PRAGMA application_id").fetchone()
    except sqlite3.OperationalError as error:
        raise DatabaseTrouble(f"{path}: {error}") from error
    except sqlite3.DatabaseError:  # no SQLite file at all
        mark = None
    if mark != (APPLICATION_ID,):
        raise NotOurDatabase(f"{path}: not a database of this program; nothing was changed")


def _mark_new_file(path: Path) -> None:
    """Write the mark into the file itself, before WAL could keep it in another one."""
    connection = sqlite3.connect(path, timeout=BUSY_TIMEOUT_S)
    try:
        connection.execute(f"PRAGMA application_id={APPLICATION_ID}")
    except sqlite3.Error as error:
        raise DatabaseTrouble(f"{path}: {error}") from error
    finally:
        connection.close()


def _prepare_sqlite(engine: Engine) -> None:
    @event.listens_for(engine, "connect")
    def _connect(connection: sqlite3.Connection, _record: object) -> None:
        connection.isolation_level = None  # we say BEGIN ourselves
        cursor = connection.cursor()
        cursor.execute("PRAGMA journal_mode=WAL")
        cursor.execute("PRAGMA synchronous=FULL")
        cursor.execute("PRAGMA foreign_keys=ON")
        cursor.execute(f"PRAGMA wal_autocheckpoint={_WAL_PAGES}")
        cursor.execute(f"PRAGMA cache_size=-{_CACHE_KIB}")
        cursor.close()

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        writes = connection.get_execution_options().get(_WRITE, False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


def _pipeline_bulk_writes(engine: Engine) -> None:
    """Bulk writes do not wait for the answer to each: the next read or the commit hears them all.

    What went wrong with one is raised there at the latest, as an error of the driver like any other
    (PostgreSQL, "Pipeline Mode": after an error the rest is not carried out).
    """

    under_way: dict[object, ExitStack] = {}

    @event.listens_for(engine, "do_execute")
    def _execute(
        cursor: psycopg.Cursor[Any], _statement: str, _values: object, context: ExecutionContext
    ) -> None:
        connection = cursor.connection
        if not context.execution_options.get(BULK):
            _leave(connection)
        elif connection not in under_way:
            pipeline = ExitStack()
            pipeline.enter_context(connection.pipeline())
            under_way[connection] = pipeline

    @event.listens_for(engine, "rollback")
    def _rollback(connection: Connection) -> None:
        # An error may be heard before its turn, at a later write. The rest of the pipeline then
        # only says that it was not carried out, which would stand in the place of the error.
        if not connection.invalidated:
            _give_up(connection.connection.dbapi_connection)

    @event.listens_for(engine, "reset")
    def _reset(connection: object, _record: object, _state: object) -> None:
        _leave(connection)

    @event.listens_for(engine, "close")
    def _close(connection: object, _record: object) -> None:
        _give_up(connection)

    def _leave(connection: object) -> None:
        pipeline = under_way.pop(connection, None)
        if pipeline is not None:
            pipeline.close()

    def _give_up(connection: object) -> None:
        with suppress(psycopg.Error):
            _leave(connection)


def migrations() -> Config:
    """Alembic's configuration of our migrations; the connection goes into its attributes."""
    config = Config()
    config.set_main_option("script_location", str(_MIGRATIONS))
    return config


def known_revisions() -> frozenset[str]:
    """Every edition of the tables that this program can bring up to its own."""
    script = ScriptDirectory.from_config(migrations())
    return frozenset(one.revision for one in script.walk_revisions())


def _migrate(engine: Engine, shown: str) -> None:
    config = migrations()
    head = ScriptDirectory.from_config(config).get_current_head()
    with engine.connect() as connection:
        if revision_if_ours(connection, shown) == head:
            return
    with write(engine) as connection:
        if engine.dialect.name == "postgresql":  # two services may start at once
            connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({APPLICATION_ID})")
        current = revision_if_ours(connection, shown)
        if current == head:
            return
        if current is not None and current not in known_revisions():
            raise NotOurDatabase(f"{shown}: made by a newer edition (revision {current})")
        config.attributes["connection"] = connection
        command.upgrade(config, "head")
        if current is None:
            connection.execute(insert(meta), [{"name": "what", "value": _MARK}])


def revision_if_ours(connection: Connection, shown: str) -> str | None:
    """The revision of our tables; None for an empty database; else `NotOurDatabase`."""
    tables = set(inspect(connection).get_table_names())
    if not tables:
        return None
    mark = select(meta.c.value).where(meta.c.name == "what")
    if meta.name not in tables or connection.execute(mark).scalar() != _MARK:
        raise NotOurDatabase(f"{shown}: holds tables of something else; nothing was changed")
    return MigrationContext.configure(connection).get_current_revision()


def one_writer(connection: Connection) -> bool:
    """Whether nobody else can write until a writing transaction ends: SQLite."""
    return connection.dialect.name == "sqlite"


@contextmanager
def write(engine: Engine) -> Iterator[Connection]:
    """One writing transaction: committed at the end, rolled back on any exception.

    Raises `Clash` when a row would break a key or a reference, `DatabaseTrouble`.
    """
    try:
        with _trouble_named():
            opened = engine.connect().execution_options(**{_WRITE: True})
            with opened as connection, connection.begin():
                yield connection
    except IntegrityError as error:
        raise Clash(str(error.orig)) from error


@contextmanager
def read(engine: Engine) -> Iterator[Connection]:
    """A connection for one query, or a few that must agree; never kept open.

    Raises `DatabaseTrouble`.
    """
    with _trouble_named(), engine.connect() as connection:
        yield connection


@contextmanager
def _trouble_named() -> Iterator[None]:
    try:
        yield
    except DBAPIError as error:
        if is_trouble(error):
            raise DatabaseTrouble(f"database: {_said(error)}") from error
        raise


def _said(error: DBAPIError) -> str:
    """The driver's own words; PostgreSQL's further lines are hints, or the statement."""
    return str(error.orig).partition("\n")[0]


def is_trouble(error: BaseException) -> bool:
    """Whether an error says that the database (not the data) is at fault.

    Lost connection, lock, full or failing disk, memory: and only these. The driver's own code
    decides, not the class of the exception: SQLite has one class for a lock and a missing table.
    """
    if isinstance(error, MemoryError | DatabaseTrouble):
        return True
    if not isinstance(error, DBAPIError):
        return False
    if error.connection_invalidated:
        return True
    if isinstance(error.orig, sqlite3.Error):
        code: int = getattr(error.orig, "sqlite_errorcode", sqlite3.SQLITE_ERROR)
        return code & 0xFF in _SQLITE_TROUBLE  # the low byte is the primary result code
    state: str | None = getattr(error.orig, "sqlstate", None)
    if state is None:  # the server gave no answer
        return isinstance(error, OperationalError | InterfaceError)
    return state.startswith(_POSTGRESQL_TROUBLE)
