"""Whether what the database says is committed survives a power failure.

Settings are read from the connection that the service itself would use, since a role or a database
may have settings of its own. Sources: PostgreSQL 15, sections 20.5 "Write Ahead Log" and 30.1
"Reliability"; SQLite, "PRAGMA synchronous", "Write-Ahead Logging" and "How To Corrupt An SQLite
Database File" (all from memory).
"""

from __future__ import annotations

import re
from pathlib import Path

from sqlalchemy import Connection, Engine, text

from ingest.findings import Finding
from ingest.store.database import read

MOUNTS = Path("/proc/self/mountinfo")
IN_MEMORY = frozenset({"tmpfs", "ramfs", "devtmpfs", "hugetlbfs"})
OVER_NETWORK = frozenset(
    {"nfs", "nfs4", "cifs", "smb3", "smbfs", "9p", "afs", "ceph", "glusterfs", "ncpfs", "vboxsf"}
)
"""File systems whose locks or shared memory SQLite's WAL mode cannot rely on."""
NO_BARRIER = frozenset({"nobarrier", "barrier=0"})
_ESCAPED = re.compile(r"\\([0-7]{3})")


def check_database(engine: Engine) -> list[Finding]:
    """Look at everything that a commit relies on; one finding for each part."""
    with read(engine) as connection:
        if engine.dialect.name == "postgresql":
            return _postgresql(connection)
        found = _sqlite(connection)
    name = engine.url.database
    if name and MOUNTS.exists():
        mounts = MOUNTS.read_text(encoding="utf-8", errors="surrogateescape")
        found.append(file_system(Path(name).resolve(), mounts))
    return found


def _sqlite(connection: Connection) -> list[Finding]:
    journal = str(connection.exec_driver_sql("PRAGMA journal_mode").scalar_one())
    synchronous = int(connection.exec_driver_sql("PRAGMA synchronous").scalar_one())
    return [
        Finding(
            "database: journal mode",
            journal == "wal",
            journal if journal == "wal" else f"{journal}, expected wal",
            "put the data directory on a local disk: this file system refuses WAL mode",
        ),
        Finding(
            "database: synchronous",
            synchronous >= 2,
            str(synchronous)
            if synchronous >= 2
            else f"{synchronous}, expected 2 (full) or 3 (extra)",
            "report this: every connection sets it, and this build of SQLite does not take it",
        ),
    ]


def file_system(path: Path, mounts: str) -> Finding:
    """Judge the file system that `path` (absolute, without links) lies on.

    `mounts` is the text of /proc/self/mountinfo: proc(5), section "/proc/pid/mountinfo".
    """
    part = "database: file system"
    best, kind, options = "", "unknown", frozenset[str]()
    for line in mounts.splitlines():
        head, _, tail = line.partition(" - ")
        words, after = head.split(" "), tail.split(" ")
        if len(words) < 6 or len(after) < 3:
            continue
        point = _ESCAPED.sub(lambda hit: chr(int(hit[1], 8)), words[4])
        if path.is_relative_to(point) and len(point) >= len(best):  # the last of equals covers
            best, kind = point, after[0]
            options = frozenset({*words[5].split(","), *after[2].split(",")})
    place = f"{kind} at {best or '?'}"
    if kind in IN_MEMORY:
        return Finding(part, False, f"{place}: gone after a restart", "put --data on a disk")
    if kind in OVER_NETWORK:
        todo = "put --data on a local disk, or use PostgreSQL"
        return Finding(part, False, f"{place}: SQLite needs a local one", todo)
    if loose := options & NO_BARRIER:
        todo = "mount it without this option: a flush would not reach the disk"
        return Finding(part, False, f"{place}, option {', '.join(sorted(loose))}", todo)
    return Finding(part, True, place)


_SETTINGS = {
    "fsync": (
        "a commit may never reach the disk, and a power failure may ruin the whole database",
        "set fsync = on, or take ingest/deploy/postgresql.conf",
    ),
    "full_page_writes": (
        "a page half written at a power failure cannot be mended",
        "set full_page_writes = on, or take ingest/deploy/postgresql.conf",
    ),
    "synchronous_commit": (
        "a commit is reported before it is on the disk: receipts would promise too much",
        "set synchronous_commit = on; ALTER ROLE and ALTER DATABASE settings count too",
    ),
}


def _postgresql(connection: Connection) -> list[Finding]:
    found = []
    for name, (why, todo) in _SETTINGS.items():
        value = str(connection.execute(text(f"SHOW {name}")).scalar_one())
        good = value != "off"
        words = value if good else f"{value}: {why}"
        found.append(Finding(f"database: {name}", good, words, todo))
    standby = bool(connection.execute(text("SELECT pg_is_in_recovery()")).scalar_one())
    found.append(
        Finding(
            "database: writable",
            not standby,
            "a standby" if standby else "yes",
            "give --database the address of the primary server",
        )
    )
    unlogged = connection.execute(
        text(
            "SELECT relname FROM pg_class JOIN pg_namespace n ON n.oid = relnamespace"
            " WHERE relkind = 'r' AND relpersistence = 'u' AND nspname = current_schema()"
        )
    ).scalars()
    if names := sorted(unlogged):
        todo = "; ".join(f"ALTER TABLE {name} SET LOGGED" for name in names)
        words = f"unlogged: {', '.join(names)}: emptied by a crash"
        found.append(Finding("database: tables", False, words, todo))
    return found
