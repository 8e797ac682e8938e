"""The file under the outbox: SQLite with one owner, a reserve for a full disk, clear refusals."""

from __future__ import annotations

import logging
import os
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Literal, TypeVar

RESERVE_BYTES = 1024 * 1024
"""Set aside on disk: what SQLite writes to drop old readings has to fit when nothing else does."""

_FILE_ID = 0x464C_4F42  # names the file as an outbox in SQLite's own header
_LOG_PAGES = 256  # of 4 KiB: the write-ahead log stays near 1 MiB, as the reserve does
STEP_BYTES = 128 * 1024
"""What one call of `make_room` (see `OutboxFile.write`) lets go of, in bytes of reports."""
_STEPS = 2 * RESERVE_BYTES // STEP_BYTES
_STEP_PAGES = 64
_KEPT_FREE = 16  # pages: not worth a step
_TABLES = """
CREATE TABLE meta (name TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE queued (
    seq INTEGER PRIMARY KEY, body BLOB NOT NULL, digest TEXT NOT NULL, size INTEGER NOT NULL,
    rank INTEGER NOT NULL
);
CREATE INDEX queued_digest ON queued (digest);
CREATE INDEX queued_rank ON queued (rank, seq);
CREATE TABLE dropped (first INTEGER PRIMARY KEY, last INTEGER NOT NULL, declared_in INTEGER);
"""

Synchronous = Literal["FULL", "NORMAL", "OFF"]
T = TypeVar("T")

log = logging.getLogger(__name__)


class NotAnOutbox(ValueError):
    """The file is not an outbox of ours, or a damaged one; it is left as it is."""


class OutboxBusy(OSError):
    """Another process holds the outbox: two gateways must never share one journal."""


class OutboxFull(OSError):
    """The disk takes nothing more, and no periodic reading is left to make room with."""


class OutboxFile:
    """One open outbox file. `db` runs statements; `write` makes them one transaction."""

    def __init__(self, path: Path, synchronous: Synchronous) -> None:
        self._path = path
        self._reserve = path.with_name(path.name + ".reserve")
        self.db = _open(path, synchronous)
        self._told = False
        try:
            self._held = self._reserve.stat().st_size >= RESERVE_BYTES
        except FileNotFoundError:
            self._held = str(path) == ":memory:"  # SQLite's own name for no file: nothing to hold
        self._hold_reserve()

    def close(self) -> None:
        """Close the file."""
        self.db.close()

    def write(self, step: Callable[[], T], make_room: Callable[[], bool] | None = None) -> T:
        """Run `step` in one transaction and return what it gave.

        On a full disk the reserve is given back, so that `make_room` has room to delete in, and
        `step` runs again; `make_room` says whether it could free anything. Raises `OutboxFull`
        when it could not: nothing of `step` is stored, and the reserve waits for the next receipt.
        Without `make_room` the step itself may use the reserve: a start, or a receipt.
        """
        while True:
            try:
                with self.transaction():
                    result = step()
            except sqlite3.OperationalError as error:
                if error.sqlite_errorcode & 0xFF != sqlite3.SQLITE_FULL:
                    raise
                given = self._give_back_reserve()
                self._shrink()  # the write-ahead log first: the deletes need it
                if not (self._make_room(make_room) if make_room else given):
                    self._hold_reserve()
                    raise OutboxFull(f"{self._path}: the disk is full, expected room") from error
            else:
                self._hold_reserve()
                return result

    def _make_room(self, make_room: Callable[[], bool]) -> bool:
        """Let go of twice the reserve, in steps that fit into it."""
        for step in range(_STEPS):
            if not make_room():
                return step > 0
            self._shrink()
        return True

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """Commit what the block did, or leave everything as it was."""
        self.db.execute("BEGIN IMMEDIATE")
        try:
            yield
            # On a full disk it is often the commit that fails, and leaves the transaction open.
            self.db.execute("COMMIT")
        except BaseException:
            if self.db.in_transaction:  # SQLite takes some failures back by itself
                self.db.execute("ROLLBACK")
            raise

    def _hold_reserve(self) -> None:
        """Set the reserve aside (again), where the disk allows it."""
        if self._held:
            return
        self._shrink()
        try:
            with self._reserve.open("wb") as file:
                os.posix_fallocate(file.fileno(), 0, RESERVE_BYTES)
            self._held, self._told = True, False
        except OSError as error:
            self._reserve.unlink(missing_ok=True)
            # Tried again with every report: said aloud once.
            log.log(
                logging.DEBUG if self._told else logging.WARNING, "outbox: no reserve: %s", error
            )
            self._told = True

    def _shrink(self) -> None:
        """Hand pages that fell free back to the disk, in steps that fit into the reserve."""
        with suppress(sqlite3.OperationalError):  # what stays is used again by later reports
            self.db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
            while self._free_pages() > _KEPT_FREE:
                before = self._free_pages()
                self.db.execute(f"PRAGMA incremental_vacuum({_STEP_PAGES})").fetchall()
                self.db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
                if self._free_pages() >= before:  # an outbox made without this ability
                    return

    def _free_pages(self) -> int:
        return int(self.db.execute("PRAGMA freelist_count").fetchone()[0])

    def _give_back_reserve(self) -> bool:
        if not self._held:
            return False
        log.warning("outbox: the disk is full, the reserve is given back")
        self._reserve.unlink(missing_ok=True)
        self._held = False
        return True


def _open(path: Path, synchronous: Synchronous) -> sqlite3.Connection:
    path.parent.mkdir(parents=True, exist_ok=True)
    db: sqlite3.Connection | None = None
    try:
        db = sqlite3.connect(path, timeout=1.0, isolation_level=None, check_same_thread=False)
        _prepare(db, path, synchronous)
    except BaseException as error:
        if db is not None:
            db.close()
        if isinstance(error, sqlite3.DatabaseError):
            raise _refusal(path, error) from error
        raise
    return db


def _prepare(db: sqlite3.Connection, path: Path, synchronous: Synchronous) -> None:
    # Exclusive: a second gateway on the same journal would allot the same seqs.
    db.execute("PRAGMA locking_mode = EXCLUSIVE")
    (file_id,) = db.execute("PRAGMA application_id").fetchone()
    (tables,) = db.execute("SELECT count(*) FROM sqlite_master").fetchone()
    if file_id != _FILE_ID and (file_id or tables):
        raise NotAnOutbox(f"{path}: another program's database, expected an outbox file")
    if tables:
        # A torn page must show now, not in the middle of a journey.
        (found,) = db.execute("PRAGMA quick_check(1)").fetchone()
        if found != "ok":
            raise NotAnOutbox(_damaged(path, found))
    if not tables:  # before the first page is written, or it has no effect
        db.execute("PRAGMA auto_vacuum = INCREMENTAL")
    db.execute("PRAGMA journal_mode = WAL")
    db.execute(f"PRAGMA synchronous = {synchronous}")
    db.execute(f"PRAGMA wal_autocheckpoint = {_LOG_PAGES}")
    if not tables:
        db.executescript(f"BEGIN; {_TABLES} PRAGMA application_id = {_FILE_ID}; COMMIT;")
    for table in ("meta", "queued", "dropped"):
        db.execute(f"SELECT 1 FROM {table} LIMIT 1")  # noqa: S608 - names of our own


def _damaged(path: Path, detail: object) -> str:
    return (
        f"{path}: damaged ({str(detail).splitlines()[0]}), expected a whole outbox file; keep it "
        "aside for a look, and the gateway begins a new journal"
    )


def _refusal(path: Path, error: sqlite3.DatabaseError) -> Exception:
    """Say in our own words what SQLite means."""
    code = error.sqlite_errorcode & 0xFF
    if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        return OutboxBusy(f"{path}: {error}; is another gateway running on it?")
    if code == sqlite3.SQLITE_FULL:
        return OutboxFull(f"{path}: the disk is full, expected room for an outbox")
    if code == sqlite3.SQLITE_NOTADB:
        return NotAnOutbox(f"{path}: not a database file, expected an outbox file")
    if code in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_ERROR):
        return NotAnOutbox(_damaged(path, error))
    return NotAnOutbox(f"{path}: {error}, expected a file that can be read and written")


def joined(spans: Iterable[Sequence[int]]) -> list[tuple[int, int]]:
    """Ranges without overlap or touch, lowest first."""
    out: list[tuple[int, int]] = []
    for first, last in sorted((span[0], span[1]) for span in spans):
        if out and first <= out[-1][1] + 1:
            out[-1] = (out[-1][0], max(last, out[-1][1]))
        else:
            out.append((first, last))
    return out
