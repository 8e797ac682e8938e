"""PostgreSQL: its own pg_dump and pg_restore, driven so that a backup can be checked.

pg_dump reads the very snapshot of the database that our sums are made from (`pg_export_snapshot`).
The restore is one transaction, and moves what was there into a schema of its own.
See PostgreSQL 15, chapter 26.1 "SQL Dump" and section 9.27.5 (from memory).
"""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path

from sqlalchemy import URL, Connection, create_engine, inspect, make_url, text
from sqlalchemy.exc import DBAPIError
from sqlalchemy.pool import NullPool

from ingest.store.contents import contents, differences
from ingest.store.database import DatabaseTrouble, revision_if_ours
from ingest.store.snapshots import BackupRefused, Snapshot, aside_mark

MEMBER = "fleet.pgdump"
DEBIAN = Path("/usr/lib/postgresql")
_OTHERS = text(
    "SELECT count(*) FROM pg_stat_activity WHERE datname = current_database()"
    " AND backend_type = 'client backend' AND pid <> pg_backend_pid()"
)


def take(url: str, folder: Path) -> Snapshot:
    """Dump one snapshot of the running database into `folder`."""
    data = folder / MEMBER
    with _connected(url) as connection:
        revision = revision_if_ours(connection, _shown(url))
        if revision is None:
            raise BackupRefused(f"{_shown(url)}: holds no tables")
        snapshot = connection.execute(text("SELECT pg_export_snapshot()")).scalar_one()
        words = ["--format=custom", "--compress=0", f"--snapshot={snapshot}", f"--file={data}"]
        words += ["--no-owner", "--no-privileges", "--exclude-schema=before_restore_*"]
        _run("pg_dump", words, url)
        return Snapshot(data, revision, contents(connection))


def workplace(url: str) -> Path | None:
    """The system's own place: the data goes over the network anyway."""
    return None


def put(url: str, snapshot: Snapshot, now: datetime, *, overwrite: bool) -> str | None:
    """Restore in one transaction, then compare; the tables that were there move to a schema."""
    with _connected(url) as connection:
        there = revision_if_ours(connection, _shown(url)) is not None
        if there and not overwrite:
            raise BackupRefused(f"{_shown(url)}: holds tables; --overwrite puts them aside")
        if others := connection.execute(_OTHERS).scalar_one():
            raise BackupRefused(
                f"{_shown(url)}: in use by {others} connections: stop ingest and the board first; "
                "nothing was changed"
            )
        tables = inspect(connection).get_table_names()
    aside = aside_mark(now) if there else None
    folder = snapshot.data.parent
    script = folder / "restore.sql"
    made = ["--no-owner", "--no-privileges", f"--file={script}", str(snapshot.data)]
    _run("pg_restore", made, None)
    before = folder / "before.sql"
    moves = [f'ALTER TABLE "{name}" SET SCHEMA {aside};' for name in tables] if aside else []
    before.write_text("\n".join([f"CREATE SCHEMA {aside};", *moves] if aside else []))
    words = ["--no-psqlrc", "--quiet", "--single-transaction", "--set=ON_ERROR_STOP=1"]
    _run("psql", [*words, f"--file={before}", f"--file={script}"], url)
    with _connected(url) as connection:
        wrong = differences(snapshot.tables, contents(connection))
    if wrong:
        kept = f"what was there stands in the schema {aside}:" if aside else "differs:"
        raise BackupRefused(
            "what was restored is not what was backed up; " + kept + "\n".join(wrong)
        )
    return f"schema {aside}" if aside else None


def _shown(url: str) -> str:
    return make_url(url).render_as_string(hide_password=True)


@contextmanager
def _connected(url: str) -> Iterator[Connection]:
    """A connection whose one transaction sees one state of the database."""
    engine = create_engine(
        make_url(url).set(drivername="postgresql+psycopg"),
        poolclass=NullPool,
        isolation_level="REPEATABLE READ",
    )
    try:
        with engine.connect() as connection:
            yield connection
    except DBAPIError as error:
        raise DatabaseTrouble(f"{_shown(url)}: {error.orig}") from error


def _run(name: str, words: Sequence[str], url: str | None) -> None:
    """Run a program of PostgreSQL's; the password goes by its environment, where nobody sees it."""
    environment = dict(os.environ)
    if url is not None:
        parsed = make_url(url)
        if parsed.password is not None:
            environment["PGPASSWORD"] = str(parsed.password)
        words = [*words, f"--dbname={_address(parsed)}"]
    done = subprocess.run(
        [_program(name), *words],
        env=environment,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode:
        raise DatabaseTrouble(f"{name} failed: {done.stderr.strip()}")


def _address(url: URL) -> str:
    plain = url.set(drivername="postgresql", password=None)
    return plain.render_as_string(hide_password=False)


def _program(name: str) -> str:
    """The program on the path, or the newest that Debian keeps off it."""
    debian = sorted(DEBIAN.glob("*/bin"), key=lambda folder: float(folder.parent.name))
    places = os.pathsep.join([os.environ.get("PATH", ""), *map(str, reversed(debian))])
    found = shutil.which(name, path=places)
    if found is None:
        raise BackupRefused(
            f"{name} is not on this machine: install PostgreSQL's client programs (Debian: "
            "postgresql-client), of the server's edition or newer"
        )
    return found
