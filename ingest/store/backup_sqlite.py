"""SQLite: its online backup, and a file put back in one step.

The whole file is copied in one step: in WAL mode a reader does not hold up the writer, while a
copy in several steps would begin anew with every commit of a running service.
"""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing
from datetime import datetime
from pathlib import Path

from sqlalchemy import create_engine, make_url
from sqlalchemy.pool import NullPool

from ingest.store.contents import contents, differences
from ingest.store.database import (
    BUSY_TIMEOUT_S,
    DatabaseTrouble,
    NotOurDatabase,
    refuse_unless_marked,
    revision_if_ours,
)
from ingest.store.snapshots import BackupRefused, Snapshot, aside_mark

MEMBER = "fleet.sqlite3"


def take(url: str, folder: Path) -> Snapshot:
    """Copy the running database into `folder` and check the copy, references included."""
    source = _file(url)
    if not source.exists():
        raise DatabaseTrouble(f"{source}: no such file")
    refuse_unless_marked(source)
    data = folder / MEMBER
    address = f"{source.absolute().as_uri()}?mode=rw"
    try:
        with (
            closing(sqlite3.connect(address, uri=True, timeout=BUSY_TIMEOUT_S)) as running,
            closing(sqlite3.connect(data)) as copy,
        ):
            running.backup(copy)
            copy.execute("PRAGMA journal_mode=DELETE")  # one file, with nothing beside it
    except sqlite3.Error as error:
        raise DatabaseTrouble(f"{source}: {error}") from error
    return _checked(data)


def workplace(url: str) -> Path | None:
    """Beside the database: only there is putting it in place one step."""
    return _file(url).parent


def put(url: str, snapshot: Snapshot, now: datetime, *, overwrite: bool) -> str | None:
    """Check the restored file whole, then put it in place; what was there is kept beside it."""
    target = _file(url)
    found = _checked(snapshot.data)
    wrong = differences(snapshot.tables, found.tables)
    if found.revision != snapshot.revision or wrong:
        raise BackupRefused("the backup does not hold what it says:\n" + "\n".join(wrong))
    _give_to_owner(snapshot.data, target if target.exists() else target.parent)
    aside = None
    if target.exists() and target.stat().st_size:
        refuse_unless_marked(target)
        if not overwrite:
            raise BackupRefused(f"{target}: is there already; --overwrite puts it aside")
        aside = _put_aside(target, now)
    else:
        target.unlink(missing_ok=True)
    try:
        os.link(snapshot.data, target)  # unlike a rename it never replaces what came meanwhile
    except FileExistsError as error:
        raise BackupRefused(f"{target}: was made by another program just now") from error
    return aside


def _file(url: str) -> Path:
    name = make_url(url).database
    if not name or name == ":memory:":
        raise NotOurDatabase("a database in memory: expected a file")
    return Path(name)


def _checked(data: Path) -> Snapshot:
    try:
        with closing(sqlite3.connect(data)) as copy:
            faults = [row[0] for row in copy.execute("PRAGMA integrity_check(20)")]
            faults = [] if faults == ["ok"] else faults
            faults += [
                f"reference broken: {row}" for row in copy.execute("PRAGMA foreign_key_check")
            ]
    except sqlite3.DatabaseError as error:
        faults = [str(error)]
    if faults:
        raise BackupRefused("the copy is damaged:\n" + "\n".join(faults[:20]))
    engine = create_engine(f"sqlite:///{data}", poolclass=NullPool)
    with engine.connect() as connection:
        revision = revision_if_ours(connection, str(data))
        if revision is None:
            raise BackupRefused(f"{data.name}: holds no tables")
        return Snapshot(data, revision, contents(connection))


def _give_to_owner(data: Path, model: Path) -> None:
    """A restore by root must not leave a file that the service cannot open."""
    data.chmod(0o640)
    if os.geteuid() == 0:
        owner = model.stat()
        os.chown(data, owner.st_uid, owner.st_gid)


def _put_aside(target: Path, now: datetime) -> str:
    """Rename the file while nobody can have it open; a damaged one goes aside all the same."""
    aside = target.with_name(f"{target.name}.{aside_mark(now)}")
    with closing(sqlite3.connect(target, timeout=1.0, isolation_level=None)) as old:
        try:
            # Only the last connection of all may end WAL mode, and it moves all into the one file.
            old.execute("PRAGMA journal_mode=DELETE")
            old.execute("BEGIN EXCLUSIVE")
        except sqlite3.OperationalError as error:
            raise BackupRefused(
                f"{target}: in use ({error}): stop ingest and the board first; nothing was changed"
            ) from error
        except sqlite3.DatabaseError:
            for tail in ("-wal", "-shm"):
                beside = target.with_name(target.name + tail)
                if beside.exists():
                    beside.rename(aside.with_name(aside.name + tail))
        target.rename(aside)
    return str(aside)
