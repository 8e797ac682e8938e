"""A TCP proxy on 127.0.0.1 that makes a network bad: a toxic is switched on and off while it runs.

The kinds are those of general network fault testing: latency, reset, black hole, slicing and
bandwidth.
"""

from __future__ import annotations

import contextlib
import random
import socket
import struct
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Literal

from tests.support.services import HOST

Toxic = Literal["none", "latency", "reset", "black_hole", "slicing", "bandwidth"]
TOXICS: tuple[Toxic, ...] = ("latency", "reset", "black_hole", "slicing", "bandwidth")
LATENCY_S = 0.15
BYTES_A_SECOND = 20_000
RESET_EVERY_S = 0.4
_TURN_S = 0.05


class Proxy:
    """Carries connections to `port`; what it does to them is `toxic`, which may change."""

    def __init__(self, port: int, seed: int) -> None:
        self.toxic: Toxic = "none"
        self._target = port
        self._dice = random.Random(seed)
        self._stop = threading.Event()
        self._open: set[socket.socket] = set()
        self._server = socket.create_server((HOST, 0))
        self._server.settimeout(_TURN_S)
        self.port = int(self._server.getsockname()[1])
        self._threads = [threading.Thread(target=self._accept), threading.Thread(target=self._cut)]
        for thread in self._threads:
            thread.start()

    def close(self) -> None:
        """Cut every connection and end every thread."""
        self._stop.set()
        for thread in self._threads[:2]:
            thread.join()
        self._server.close()
        self.cut()
        for thread in self._threads:
            thread.join()

    def cut(self) -> None:
        """Reset every connection (RST, not FIN)."""
        for one in list(self._open):
            with contextlib.suppress(OSError):
                one.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            with contextlib.suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)

    def _accept(self) -> None:
        while not self._stop.is_set():
            try:
                near, _ = self._server.accept()
            except TimeoutError:
                continue
            try:
                far = socket.create_connection((HOST, self._target), 5)
            except OSError:
                near.close()
                continue
            self._open |= {near, far}
            for a, b in ((near, far), (far, near)):
                thread = threading.Thread(target=self._carry, args=(a, b))
                self._threads.append(thread)
                thread.start()

    def _cut(self) -> None:
        while not self._stop.wait(RESET_EVERY_S):
            if self.toxic == "reset":
                self.cut()

    def _carry(self, source: socket.socket, target: socket.socket) -> None:
        source.settimeout(_TURN_S)
        try:
            while not self._stop.is_set():
                try:
                    data = source.recv(65536)
                except TimeoutError:
                    continue
                if not data:
                    break
                self._pass_on(data, target)
        except OSError:
            pass
        for one in (source, target):
            self._open.discard(one)
            with contextlib.suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)
            one.close()

    def _pass_on(self, data: bytes, target: socket.socket) -> None:
        toxic = self.toxic
        if toxic == "black_hole":
            return  # swallowed: neither side is told
        if toxic == "latency":
            time.sleep(self._dice.uniform(0, 2 * LATENCY_S))
        if toxic == "bandwidth":
            time.sleep(min(2.0, len(data) / BYTES_A_SECOND))
        if toxic != "slicing":
            target.sendall(data)
            return
        at = 0
        while at < len(data):
            step = self._dice.randint(1, 40)
            target.sendall(data[at : at + step])
            at += step


@contextmanager
def toxic_proxy(port: int, seed: int = 1) -> Iterator[Proxy]:
    """Run a proxy to `port`."""
    proxy = Proxy(port, seed)
    try:
        yield proxy
    finally:
        proxy.close()
