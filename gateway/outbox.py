"""The outbox: every report on disk until ingest says that it is stored.

One SQLite file (WAL, synchronous FULL). A report gets its seq and its bytes in one transaction;
it leaves only by a receipt, never by the broker's own acknowledgement. When the size limit is
hit or the disk is full, periodic readings go first and the next report declares what went.
"""

from __future__ import annotations

import heapq
import logging
import sqlite3
import threading
import uuid
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TypeVar

from msgspec import UNSET

from gateway import contract
from gateway.outbox_file import (
    STEP_BYTES,
    NotAnOutbox,
    OutboxBusy,
    OutboxFile,
    OutboxFull,
    Synchronous,
    joined,
)
from gateway.precedence import Rank, rank

__all__ = [
    "Build",
    "NotAnOutbox",
    "Outbox",
    "OutboxBusy",
    "OutboxFull",
    "Queued",
    "ReportTooLarge",
    "Synchronous",
]

FIRST_WAIT_S = 60.0
LONGEST_WAIT_S = 900.0
DEFAULT_LIMIT = 64 * 1024 * 1024
"""Room for 30 days of a vehicle on two shifts: about 7,000 reports of 1 to 30 KiB."""
NEWS_AHEAD = 32
"""News that goes ahead of a backlog, the newest; older news goes with the rest."""
MAX_DECLARED = 1024
"""Ranges one report can declare (`contract.Report.dropped`)."""

Build = Callable[[int, list[list[int]]], Sequence[contract.Report]]
"""Makes the reports of one moment, seqs consecutive from the first; the first declares the ranges.
"""

T = TypeVar("T")

log = logging.getLogger(__name__)


class ReportTooLarge(ValueError):
    """A report is larger than `contract.MAX_BODY`: split it by ECU first."""


@dataclass(frozen=True, slots=True)
class Queued:
    """One report waiting for its receipt; `attempts` counts earlier publications in this run."""

    seq: int
    body: bytes
    digest: str
    attempts: int


@dataclass(slots=True)
class _Wait:
    due_s: float = 0.0
    attempts: int = 0


class Outbox:
    """The reports of one gateway that ingest has not receipted yet.

    Opening counts a boot. `journal` and `created_at` are used only when the file is new.
    Safe to call from several threads. `limit_bytes` bounds the bodies, not the file.
    """

    def __init__(
        self,
        path: Path | str,
        now: Callable[[], datetime],
        limit_bytes: int = DEFAULT_LIMIT,
        *,
        journal: str | None = None,
        created_at: datetime | None = None,
        synchronous: Synchronous = "FULL",
    ) -> None:
        self._lock = threading.RLock()
        self._limit = limit_bytes
        self._file = OutboxFile(Path(path), synchronous)
        self._db = self._file.db
        self._sizes: dict[int, int] = {}  # in order of seq: `oldest_kept` reads its first key
        self._bytes = 0
        self._waits: dict[int, _Wait] = {}
        self._order: list[tuple[float, int]] = []
        self._news: set[int] = set()
        try:
            self._load()
            meta = self._file.write(lambda: self._meta(journal, created_at, now))
        except BaseException:
            self._file.close()
            raise
        self.journal: str = meta["journal"]
        self.journal_created_at: str = meta["journal_created_at"]
        self.boot_no = int(meta["boot_no"])
        self._next = int(meta["next_seq"])
        self.interrupted: str = meta.get("cycle", "")

    def _load(self) -> None:
        for row in self._db.execute("SELECT seq, size, rank FROM queued ORDER BY seq"):
            self._remember(*row)

    def close(self) -> None:
        """Close the file; what is queued stays in it."""
        with self._lock:
            self._file.close()

    # -- storing ------------------------------------------------------------------------------

    def append(self, build: Build) -> list[int]:
        """Allot seqs and store the reports of one moment in one transaction; return the seqs.

        Raises `ReportTooLarge` above the contract's limit: nothing is stored, no seq is used.
        """
        return self.append_many([build])

    def append_many(self, builds: Iterable[Build]) -> list[int]:
        """Store the reports of many moments in one transaction: all of them or none.

        On a full disk old periodic readings make room, and `builds` are called again with the
        ranges to declare. Raises `OutboxFull` when none is left: no seq is used.
        """
        wanted = list(builds)
        with self._lock:
            before = self._next
            try:
                stored = self._write(lambda: self._store_all(wanted, before))
            except BaseException:
                self._next = before
                raise
            for row in stored:
                self._remember(*row)
            self._make_room(self._bytes - self._limit)
            return [seq for seq, *_ in stored]

    def _store_all(self, builds: Iterable[Build], first: int) -> list[tuple[int, int, int]]:
        self._next = first
        stored = [row for build in builds for row in self._store(build)]
        self._set("next_seq", str(self._next))
        return stored

    def _store(self, build: Build) -> list[tuple[int, int, int]]:
        first = self._next
        spans = self._undeclared()
        reports = build(first, spans)
        rows = [self._row(report, first + i) for i, report in enumerate(reports)]
        if any(report.driving_cycle is not UNSET for report in reports):
            self._set("cycle", "")
        self._db.executemany("INSERT INTO queued VALUES (?, ?, ?, ?, ?)", rows)
        if rows:
            self._db.executemany(
                "UPDATE dropped SET declared_in = ? WHERE first = ?",
                [(first, span[0]) for span in spans],
            )
        self._next = first + len(rows)
        return [(row[0], row[3], row[4]) for row in rows]

    def _row(self, report: contract.Report, seq: int) -> tuple[int, bytes, str, int, int]:
        if (report.journal, report.seq) != (self.journal, seq):
            raise ValueError(
                f"report: key ({report.journal}, {report.seq}), expected ({self.journal}, {seq})"
            )
        body = contract.encode(report)
        if len(body) > contract.MAX_BODY:
            raise ReportTooLarge(f"report: {len(body)} bytes, expected at most {contract.MAX_BODY}")
        return seq, body, contract.digest(body), len(body), rank(report)

    def keep_cycle(self, text: str) -> None:
        """Keep a driving cycle under way; the report of a cycle takes its place."""
        with self._lock:
            self._write(lambda: self._set("cycle", text))

    # -- publishing ---------------------------------------------------------------------------

    def due(self, now_s: float, limit: int = 100) -> list[Queued]:
        """The reports to publish at `now_s` (monotonic seconds), at most `limit`, oldest first."""
        with self._lock:
            seqs: list[int] = []
            while self._order and self._order[0][0] <= now_s and len(seqs) < limit:
                due_s, seq = heapq.heappop(self._order)
                wait = self._waits.get(seq)
                if wait is not None and wait.due_s == due_s and seq not in seqs:
                    seqs.append(seq)
            for seq in seqs:  # still due until `published` says otherwise
                heapq.heappush(self._order, (self._waits[seq].due_s, seq))
            return [self._queued(seq) for seq in sorted(seqs)]

    def news(self, now_s: float) -> list[Queued]:
        """The `NEWS_AHEAD` newest reports of news, newest first, as far as due at `now_s`.

        They go ahead of what `due` gives, which holds them and all older news too.
        """
        with self._lock:
            newest = heapq.nlargest(NEWS_AHEAD, self._news)
            return [self._queued(seq) for seq in newest if self._waits[seq].due_s <= now_s]

    def _queued(self, seq: int) -> Queued:
        body, digest = self._db.execute(
            "SELECT body, digest FROM queued WHERE seq = ?", (seq,)
        ).fetchone()
        return Queued(seq, body, digest, self._waits[seq].attempts)

    def published(self, seq: int, now_s: float) -> None:
        """Note that a report went out: due again after 60 s, doubling to 15 min."""
        with self._lock:
            wait = self._waits.get(seq)
            if wait is None:  # receipted between `due` and here
                return
            wait.due_s = now_s + min(FIRST_WAIT_S * 2.0**wait.attempts, LONGEST_WAIT_S)
            wait.attempts = min(wait.attempts + 1, 16)
            heapq.heappush(self._order, (wait.due_s, seq))

    def forget_session(self) -> None:
        """Make everything due at once: the broker did not keep our session."""
        with self._lock:
            self._waits = {seq: _Wait() for seq in self._sizes}
            self._order = [(0.0, seq) for seq in self._sizes]

    # -- receipts -----------------------------------------------------------------------------

    def apply_receipt(self, receipt: contract.Receipt) -> int:
        """Forget what a receipt names; return how many reports went.

        A receipt of another journal, or one that names a seq never allotted, changes nothing.
        """
        with self._lock:
            if receipt.journal != self.journal:
                return 0
            spans = [[1, receipt.through], *receipt.also]
            if max(span[1] for span in spans) >= self._next:
                log.error("receipt ignored: names a seq above %d, never allotted", self._next - 1)
                return 0
            stored = {seq for span in spans for seq in self._within(span[0], span[1])}
            aside = self._seqs_of(receipt.aside) - stored
            gone = sorted(stored | aside)
            if gone:
                self._file.write(lambda: self._trim(spans, aside, gone))
                self._forget(gone)
            return len(gone)

    def _trim(
        self, spans: Sequence[Sequence[int]], aside: Iterable[int], gone: Sequence[int]
    ) -> None:
        self._settle(spans, aside)
        self._delete(gone)

    def _within(self, first: int, last: int) -> Iterator[int]:
        rows = self._db.execute("SELECT seq FROM queued WHERE seq BETWEEN ? AND ?", (first, last))
        return (seq for (seq,) in rows)

    def _seqs_of(self, aside: Sequence[contract.SetAside]) -> set[int]:
        found: set[int] = set()
        for item in aside:
            rows = self._db.execute("SELECT seq FROM queued WHERE digest = ?", (item.digest,))
            found.update(seq for (seq,) in rows)
        return found

    def _settle(self, spans: Sequence[Sequence[int]], aside: Iterable[int]) -> None:
        """A declaration is done once stored; one set aside was not read and is made again."""
        for first, last in spans:
            self._db.execute("DELETE FROM dropped WHERE declared_in BETWEEN ? AND ?", (first, last))
        self._declare_again(aside)

    def _declare_again(self, seqs: Iterable[int]) -> None:
        self._db.executemany(
            "UPDATE dropped SET declared_in = NULL WHERE declared_in = ?", [(s,) for s in seqs]
        )

    # -- what is there ------------------------------------------------------------------------

    def pending(self) -> int:
        """How many reports wait for a receipt."""
        with self._lock:
            return len(self._sizes)

    def oldest_kept(self) -> int:
        """The lowest seq still to come, dropped ranges not yet receipted counted with it.

        Below it nothing is coming any more. With nothing waiting it is the next seq.
        """
        with self._lock:
            (first,) = self._db.execute("SELECT min(first) FROM dropped").fetchone()
            waiting = next(iter(self._sizes), self._next)
            return waiting if first is None else min(first, waiting)

    # -- dropping -----------------------------------------------------------------------------

    def _write(self, step: Callable[[], T]) -> T:
        return self._file.write(step, lambda: self._drop(self._victims(STEP_BYTES)))

    def _make_room(self, excess: int) -> None:
        """Drop what may be dropped until `excess` bytes are free."""
        if excess <= 0:
            return
        victims = self._victims(excess)
        free = sum(self._sizes[seq] for seq in victims)
        if free < excess:
            log.error("outbox: %d bytes above its limit, nothing left to drop", excess - free)
        self._drop(victims)

    def _victims(self, wanted: int) -> list[int]:
        victims: list[int] = []
        rows = self._db.execute(
            "SELECT seq, size FROM queued WHERE rank < ? ORDER BY rank, seq", (Rank.KEPT,)
        )
        for seq, size in rows:
            if wanted <= 0:
                break
            victims.append(seq)
            wanted -= size
        return victims

    def _drop(self, victims: Sequence[int]) -> bool:
        """Drop readings and note them for declaration; False where nothing could be dropped."""
        if not victims:
            return False
        log.warning("outbox: full, %d readings dropped and declared", len(victims))
        try:
            with self._file.transaction():
                self._delete(victims)
                self._declare_again(victims)
                self._note_dropped(victims)
        except sqlite3.OperationalError as error:
            log.error("outbox: nothing could be dropped: %s", error)
            return False
        self._forget(victims)
        return True

    def _note_dropped(self, seqs: Sequence[int]) -> None:
        spans = self._undeclared(limit=-1) + [[seq, seq] for seq in seqs]
        self._db.execute("DELETE FROM dropped WHERE declared_in IS NULL")
        self._db.executemany("INSERT INTO dropped VALUES (?, ?, NULL)", joined(spans))

    def _undeclared(self, limit: int = MAX_DECLARED) -> list[list[int]]:
        rows = self._db.execute(
            "SELECT first, last FROM dropped WHERE declared_in IS NULL ORDER BY first LIMIT ?",
            (limit,),
        )
        return [[first, last] for first, last in rows]

    # -- bookkeeping --------------------------------------------------------------------------

    def _delete(self, seqs: Sequence[int]) -> None:
        self._db.executemany("DELETE FROM queued WHERE seq = ?", [(seq,) for seq in seqs])

    def _forget(self, seqs: Sequence[int]) -> None:
        for seq in seqs:
            self._bytes -= self._sizes.pop(seq)
            del self._waits[seq]
            self._news.discard(seq)

    def _remember(self, seq: int, size: int, place: int) -> None:
        self._sizes[seq] = size
        if place == Rank.NEWS:
            self._news.add(seq)
        self._bytes += size
        self._waits[seq] = _Wait()
        heapq.heappush(self._order, (0.0, seq))

    def _meta(
        self, journal: str | None, created_at: datetime | None, now: Callable[[], datetime]
    ) -> dict[str, str]:
        meta: dict[str, str] = dict(self._db.execute("SELECT name, value FROM meta"))
        if not meta:
            meta = {
                "journal": journal or str(uuid.uuid4()),
                "journal_created_at": contract.format_time(created_at or now()),
                "boot_no": "0",
                "next_seq": "1",
            }
        meta["boot_no"] = str(int(meta["boot_no"]) + 1)
        for name, value in meta.items():
            self._set(name, value)
        return meta

    def _set(self, name: str, value: str) -> None:
        self._db.execute("INSERT OR REPLACE INTO meta VALUES (?, ?)", (name, value))
