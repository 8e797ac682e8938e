"""Puts readings into the outbox, and holds events in memory while the disk has no room at all.

The outbox makes room by dropping periodic readings. When even that does not help, a lamp, code,
clear or driving cycle waits here and is tried again; an ordinary reading is let go, as the next
one says the same.
"""

from __future__ import annotations

import logging
from collections import deque
from typing import Protocol

from gateway import contract
from gateway.outbox import Build, OutboxFull

log = logging.getLogger(__name__)

MOST_HELD = 256
"""Events held in memory, some days of a vehicle's life; then the oldest goes, and is logged."""
ORDINARY: frozenset[contract.Reason] = frozenset({"periodic", "ask"})


class Store(Protocol):
    """The outbox, as far as it is needed here."""

    def append(self, build: Build) -> list[int]:
        """Store the reports of one moment, or raise `OutboxFull` with no seq used."""
        ...


class Keeper:
    """Stores builds in the order they came; what had to wait goes first."""

    def __init__(self, outbox: Store) -> None:
        self._outbox = outbox
        self._held: deque[Build] = deque()

    @property
    def held(self) -> int:
        """Events that wait for room on the disk."""
        return len(self._held)

    def keep(self, build: Build, reason: contract.Reason) -> list[int]:
        """Store now, or hold an event for later; return the seqs, none where it was not stored."""
        try:
            self.retry()
            return self._outbox.append(build)
        except OutboxFull as error:
            if reason in ORDINARY:
                log.warning("a reading is let go: %s", error)
                return []
            log.error("an event waits for room on the disk: %s", error)
            if len(self._held) == MOST_HELD:
                self._held.popleft()
                log.error("the oldest waiting event is lost: %d wait", MOST_HELD)
            self._held.append(build)
            return []

    def retry(self) -> None:
        """Store what waits, oldest first; raises `OutboxFull` while there is no room."""
        while self._held:
            self._outbox.append(self._held[0])
            self._held.popleft()
