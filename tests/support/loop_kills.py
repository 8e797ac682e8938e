"""Ways to kill the loop of ingest, and how long it is until the next message is stored.

The store is a list: what is measured is how soon a loop that no longer works is replaced. The
connection stays up in every way but one, so `is_connected()` would never tell.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from ingest.arrival import Arrival
from ingest.clock import SystemClock
from ingest.config import parse_broker
from ingest.subscriber import PING_EVERY_S, PING_LIMIT_S, Outgoing, Subscriber
from ingest.watchdog import CHECK_EVERY_S, STALL_S, Watchdog
from tests.support.services import running_mosquitto
from tests.support.toxic import Proxy, toxic_proxy

WAYS = ("exit in the store", "error in the store", "error in a callback", "stuck", "black hole")
TOPIC = "fleet/v1/3e/gw-0001/report"


@dataclass(frozen=True)
class Times:
    """The watchdog's waits; `fast` of them for a test in seconds."""

    fast: float = 1.0

    def of(self, seconds: float) -> float:
        """One wait."""
        return seconds / self.fast


class _Rig:
    """A watched subscriber whose store, callback or network can be broken once."""

    def __init__(self, proxy: Proxy, times: Times) -> None:
        self.kept: list[bytes] = []
        self.late: list[bytes] = []
        self.release = threading.Event()
        self.way = ""
        self._proxy, self._times = proxy, times
        self.loop: Subscriber
        self.dog = Watchdog(
            self._make,
            lambda: None,
            stall_s=times.of(STALL_S),
            check_every_s=times.of(CHECK_EVERY_S),
        )

    def _make(self, had_session: bool) -> Subscriber:
        self.loop = Subscriber(
            parse_broker(f"mqtt://127.0.0.1:{self._proxy.port}"),
            self._store,
            self._now,
            had_session=had_session,
            ping_every_s=self._times.of(PING_EVERY_S),
            ping_limit_s=self._times.of(PING_LIMIT_S),
        )
        return self.loop

    def _take_way(self, *ways: str) -> str:
        if self.way not in ways:
            return ""
        way, self.way = self.way, ""
        return way

    def _now(self) -> Any:
        if self._take_way("error in a callback"):
            raise RuntimeError("a fault of ours, inside paho's callback")
        return SystemClock().now()

    def _store(self, batch: Sequence[Arrival]) -> Sequence[Outgoing]:
        match self._take_way("exit in the store", "error in the store", "stuck"):
            case "exit in the store":
                raise SystemExit
            case "error in the store":
                raise RuntimeError("a fault of ours")
            case "stuck":
                self.release.wait(600)
                self.late += [one.body for one in batch]
                return []
        self.kept += [one.body for one in batch]
        return []


@dataclass(frozen=True)
class Death:
    """One death of the loop: seconds from the message it died of to that message being stored."""

    way: str
    seconds: float
    restarts: int
    again_after_late_end: int


def kill(way: str, folder: Path, times: Times, limit_s: float) -> Death:
    """Let the loop die in one way; raises `TimeoutError` when it is not back within the limit."""
    with running_mosquitto(folder) as broker, toxic_proxy(broker.port) as proxy:
        rig = _Rig(proxy, times)
        rig.dog.start()
        try:
            _until(rig.loop.ready.is_set, 20)
            _send(broker.port, b"before")
            _until(lambda: rig.kept == [b"before"], 20)
            rig.way = way
            if way == "black hole":
                proxy.toxic = "black_hole"
            begun = time.monotonic()
            _send(broker.port, b"the one it dies of")
            if way == "black hole":
                # A TCP connection does not lose some bytes and go on: it heals with a new one.
                _until(lambda: not rig.loop.ready.is_set(), limit_s)
                proxy.toxic = "none"
            _until(lambda: b"the one it dies of" in rig.kept, limit_s)
            seconds = time.monotonic() - begun
            restarts = rig.dog.restarts
            rig.release.set()
            _send(broker.port, b"after")
            _until(lambda: b"after" in rig.kept, 20)
            return Death(way, round(seconds, 2), restarts, rig.kept.count(b"the one it dies of"))
        finally:
            rig.release.set()
            rig.dog.stop()


def _until(true: Any, limit_s: float) -> None:
    end = time.monotonic() + limit_s
    while not true():
        if time.monotonic() > end:
            raise TimeoutError(f"not within {limit_s:.0f} s")
        time.sleep(0.01)


def _send(port: int, body: bytes) -> None:
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="sender")
    client.connect("127.0.0.1", port)
    client.loop_start()
    client.publish(TOPIC, body, qos=1).wait_for_publish(20)
    client.disconnect()
    client.loop_stop()
