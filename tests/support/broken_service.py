"""`python -m ingest run` whose loop breaks once, at a report that is marked.

Run as a program: WAY, how many times as fast the waits are, then the words after `ingest`. The
store itself, the broker and the rest of the process are as they are; only what the loop calls to
store a batch is put behind a trap.
"""

from __future__ import annotations

import functools
import sys
import time
from collections.abc import Sequence
from typing import Any

from ingest import intake
from ingest.__main__ import main
from ingest.handlers import store_batch
from ingest.subscriber import PING_EVERY_S, PING_LIMIT_S, Subscriber
from ingest.watchdog import CHECK_EVERY_S, STALL_S, Watchdog

MARK = b'"odometer_km":666.0'


class _Trap:
    """Stores as ever, but breaks at the first batch with the marked report."""

    def __init__(self, way: str, while_s: float) -> None:
        self._way, self._while_s, self._set = way, while_s, True
        self._store = store_batch

    def __call__(self, engine: Any, items: Sequence[Any], memory: Any) -> Any:
        if self._set and any(MARK in one.body for one in items):
            self._set = False
            match self._way:
                case "exit":
                    raise SystemExit
                case "error":
                    raise RuntimeError("a fault of ours")
                case "stuck a while":
                    time.sleep(self._while_s)
                case "stuck":
                    time.sleep(3600)
        return self._store(engine, items, memory)


def _put(name: str, value: object) -> None:
    module, _, attribute = name.rpartition(".")
    setattr(sys.modules[module], attribute, value)


def run(way: str, fast: float, words: list[str]) -> int:
    """Serve until SIGTERM, or until it gives up; return the exit code."""
    _put("ingest.intake.store_batch", _Trap(way, (STALL_S + CHECK_EVERY_S) / fast + 2))
    intake.STORE_WAIT_S /= fast
    intake.STUCK_S = 2 * STALL_S / fast
    limits = PING_EVERY_S / fast, PING_LIMIT_S / fast
    ping: dict[str, Any] = dict(zip(("ping_every_s", "ping_limit_s"), limits, strict=True))
    _put("ingest.service.Subscriber", functools.partial(Subscriber, **ping))
    look: dict[str, Any] = {"stall_s": STALL_S / fast, "check_every_s": CHECK_EVERY_S / fast}
    _put("ingest.service.Watchdog", functools.partial(Watchdog, **look))
    return main(words)


if __name__ == "__main__":
    sys.exit(run(sys.argv[1], float(sys.argv[2]), sys.argv[3:]))
