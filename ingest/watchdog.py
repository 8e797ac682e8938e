"""Keeps a subscriber's loop running: one that died or does not get on is replaced in time.

A thread cannot be killed from outside. A stuck one is abandoned: it acknowledges nothing any more,
whatever it still commits, and its packet ids are of a connection that the broker ends as soon as
the new one takes over the session (MQTT 3.1.1, MQTT-3.1.4-2). The broker then sends again what was
not acknowledged, and the key of a report decides that it is stored once.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from typing import Protocol

log = logging.getLogger(__name__)

STALL_S = 45.0
CHECK_EVERY_S = 5.0
"""Together below 60 s: how long a dead loop can go unnoticed (engineering choice)."""


class Loop(Protocol):
    """What is watched: `run` works until stopped; `beat_s` tells when it last got on."""

    beat_s: float | None
    had_session: bool

    def run(self, stop: threading.Event) -> None:
        """Work until `stop` is set or the loop is abandoned."""

    def abandon(self) -> None:
        """Acknowledge nothing any more, and end when possible."""


class Watchdog:
    """Runs loops made by `make(had_session)`, one at a time, each in a thread of its own.

    `prepare` runs before the first one and is not timed: bringing the store up to date may take
    long. `restarts` counts the loops that had to be replaced.
    """

    def __init__(
        self,
        make: Callable[[bool], Loop],
        prepare: Callable[[], None],
        *,
        stall_s: float = STALL_S,
        check_every_s: float = CHECK_EVERY_S,
    ) -> None:
        self._make, self._prepare = make, prepare
        self._stall_s, self._check_every_s = stall_s, check_every_s
        self._stop = threading.Event()
        self._prepared = False
        self.restarts = 0
        self.loop = make(False)
        self._worker = self._new_worker()
        self._watch = threading.Thread(target=self._keep_watch, name="watchdog", daemon=True)

    def start(self) -> None:
        """Begin to work and to watch."""
        self._worker.start()
        self._watch.start()

    def stop(self) -> None:
        """Let the loop finish its batch and leave; one that is stuck is left behind."""
        self._stop.set()
        if self._watch.ident is not None:
            self._watch.join()
            self._worker.join(self._stall_s)

    def _new_worker(self) -> threading.Thread:
        return threading.Thread(target=self._work, args=(self.loop,), name="ingest", daemon=True)

    def _work(self, loop: Loop) -> None:
        try:
            if not self._prepared:
                self._prepare()
                self._prepared = True
            loop.run(self._stop)
        except Exception:
            log.exception("the loop of ingest ended by an error")

    def _keep_watch(self) -> None:
        while not self._stop.wait(self._check_every_s):
            why = self._trouble()
            if why is None:
                continue
            log.error("the loop of ingest %s: another takes over", why)
            self.loop.abandon()
            try:
                self.loop = self._make(self.loop.had_session)
            except Exception:  # a certificate is not there, say: tried again at the next look
                log.exception("another loop could not be made")
                continue
            self.restarts += 1
            self._worker = self._new_worker()
            self._worker.start()

    def _trouble(self) -> str | None:
        if not self._worker.is_alive():
            return "is dead"
        beat = self.loop.beat_s
        if beat is not None and time.monotonic() - beat > self._stall_s:
            return f"has not got on for {time.monotonic() - beat:.0f} s"
        return None
