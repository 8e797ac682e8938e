"""A backup in one file that says what it should hold, and a restore that believes nothing else.

The file is a ZIP archive (so that it can be opened without this program) of two members:
`manifest.json` (when, of which edition of the tables, rows and digest of every table) and the
data: `fleet.sqlite3`, or `fleet.pgdump` in PostgreSQL's own custom format. The manifest is made
from the same state of the database as the data. Neither SQLite's nor PostgreSQL's way stops a
running service.

A restore checks everything that can be checked before it touches the database: the archive's
checksums, the edition, and for SQLite the file's integrity and each table. An archive of one kind
of database is not restored into the other.
"""

from __future__ import annotations

import os
import shutil
import tempfile
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Literal, get_args

import msgspec

from ingest.store import backup_postgresql, backup_sqlite
from ingest.store.contents import TableSum
from ingest.store.database import (
    DatabaseTrouble,
    NotOurDatabase,
    known_revisions,
    open_database,
    parse_url,
)
from ingest.store.snapshots import BackupRefused, Snapshot, Way

__all__ = ["BackupRefused", "Manifest", "Restored", "backup", "read_manifest", "restore"]

MANIFEST = "manifest.json"
Kind = Literal["sqlite", "postgresql"]
_WAYS: dict[Kind, Way] = {"sqlite": backup_sqlite, "postgresql": backup_postgresql}


class Manifest(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What a backup should hold. `revision` is the edition of the tables."""

    schema: Literal["backup/1"]
    taken_at: str
    database: Kind
    revision: str
    tables: dict[str, TableSum]

    @property
    def rows(self) -> int:
        """Rows of all tables."""
        return sum(one.rows for one in self.tables.values())


@dataclass(frozen=True, slots=True)
class Restored:
    """What a restore put in place, and where it put the database that was there before."""

    manifest: Manifest
    aside: str | None


def backup(url: str, path: Path, now: datetime, *, overwrite: bool = False) -> Manifest:
    """Write a backup of the database at `url` to `path`, and return what it holds.

    The file appears under its name only when it is whole and on the disk; only its owner can read
    it. Raises `BackupRefused`, `NotOurDatabase` or `DatabaseTrouble`.
    """
    if path.exists() and not overwrite:
        raise BackupRefused(f"{path}: is there already; --overwrite replaces it")
    kind, way = _way(url)
    try:
        with tempfile.TemporaryDirectory(dir=path.parent, prefix=".fleet-backup-") as name:
            folder = Path(name)
            snapshot = way.take(url, folder)
            manifest = Manifest(
                schema="backup/1",
                taken_at=now.isoformat(timespec="milliseconds"),
                database=kind,
                revision=snapshot.revision,
                tables=dict(snapshot.tables),
            )
            partial = folder / "backup"
            _pack(partial, manifest, snapshot)
            partial.replace(path)
            _sync_folder(path.parent)
    except OSError as error:
        raise DatabaseTrouble(f"{path}: {error.strerror or error}") from error
    return manifest


def restore(url: str, path: Path, now: datetime, *, overwrite: bool = False) -> Restored:
    """Put a backup in the place of the database at `url`, then bring it to this edition.

    Refused (`BackupRefused`): a file that is no backup or is damaged, one of a newer edition or
    of another kind of database, a database that is there already without `overwrite`, and a
    database that anybody has open.
    """
    manifest = read_manifest(path)
    kind, way = _way(url)
    if manifest.database != kind:
        raise BackupRefused(f"{path}: of {manifest.database}, expected one of {kind}")
    if manifest.revision not in known_revisions():
        raise BackupRefused(
            f"{path}: made by a newer edition (revision {manifest.revision}); nothing was changed"
        )
    try:
        with tempfile.TemporaryDirectory(dir=way.workplace(url), prefix=".fleet-restore-") as name:
            data = Path(name) / way.MEMBER
            _unpack(path, data)
            snapshot = Snapshot(data, manifest.revision, manifest.tables)
            aside = way.put(url, snapshot, now, overwrite=overwrite)
    except OSError as error:
        raise DatabaseTrouble(f"{path}: {error.strerror or error}") from error
    open_database(url).dispose()  # forward to this edition, where the backup is older
    return Restored(manifest, aside)


def read_manifest(path: Path) -> Manifest:
    """What a backup says it holds; its data is not looked at."""
    with _reading(path), zipfile.ZipFile(path) as archive:
        return msgspec.json.decode(archive.read(MANIFEST), type=Manifest)


def _way(url: str) -> tuple[Kind, Way]:
    name = parse_url(url).get_backend_name()
    for kind in get_args(Kind):
        if name == kind:
            return kind, _WAYS[kind]
    raise NotOurDatabase(f"{name}: expected sqlite or postgresql")


def _pack(target: Path, manifest: Manifest, snapshot: Snapshot) -> None:
    with target.open("xb") as file:
        target.chmod(0o600)  # as confidential as the database
        with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
            archive.writestr(MANIFEST, msgspec.json.format(msgspec.json.encode(manifest)))
            archive.write(snapshot.data, snapshot.data.name)
        file.flush()
        os.fsync(file.fileno())


def _unpack(path: Path, data: Path) -> None:
    """Write the data of a backup to a file; the archive's checksum is checked on the way."""
    with (
        _reading(path),
        zipfile.ZipFile(path) as archive,
        archive.open(data.name) as packed,
        data.open("xb") as file,
    ):
        shutil.copyfileobj(packed, file, 1 << 20)
        file.flush()
        os.fsync(file.fileno())


@contextmanager
def _reading(path: Path) -> Iterator[None]:
    """Damage in an archive comes as an error of almost any class; the disk's own have a number."""
    try:
        yield
    except Exception as error:
        if isinstance(error, FileNotFoundError | PermissionError | IsADirectoryError):
            raise BackupRefused(f"{path}: {error.strerror}") from error
        if isinstance(error, OSError) and error.errno is not None:
            raise
        raise BackupRefused(f"{path}: no backup of this program, or damaged ({error})") from error


def _sync_folder(folder: Path) -> None:
    """Make a new name in a folder as durable as the file it names."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
