"""`python -m gateway` in a process of its own, on a bus that runs over loopback TCP."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import can

from tests.support.can_hub import Hub, HubBus

ROOT = Path(__file__).resolve().parents[2]
STOP_S = 20.0
_RUN = """
import sys
from can.interfaces import BACKENDS
BACKENDS["virtual"] = ("tests.support.can_hub", "HubBus")
from gateway.__main__ import main
sys.exit(main(sys.argv[1:]))
"""


def write_config(folder: Path, interface: str, channel: str, broker: str, more: str = "") -> Path:
    """Write a configuration with its outbox in `folder`; return its path."""
    path = folder / "gateway.toml"
    path.write_text(
        f'[gateway]\nid = "gw-0001"\noutbox = "{folder / "box.sqlite3"}"\n'
        f'[can]\ninterface = "{interface}"\nchannel = "{channel}"\n'
        f'[broker]\nurl = "{broker}"\n{more}',
        encoding="utf-8",
    )
    return path


@contextmanager
def running_gateway(arguments: list[str], log: Path) -> Iterator[subprocess.Popen[bytes]]:
    """Run `python -m gateway` with the hub as interface "virtual"; stop it by SIGTERM."""
    with log.open("ab") as output:
        child = subprocess.Popen(
            [sys.executable, "-c", _RUN, *arguments],
            cwd=ROOT,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
            stdout=output,
            stderr=output,
        )
    try:
        yield child
    finally:
        child.send_signal(signal.SIGTERM)
        try:
            child.wait(STOP_S)
        except subprocess.TimeoutExpired:
            child.kill()
            child.wait()


class Chatter:
    """What ECUs say to each other while they are awake: `per_s` frames a second of id 123."""

    def __init__(self, bus: can.BusABC, per_s: float = 50.0) -> None:
        self._bus, self._over = bus, threading.Event()
        self._pause_s = 1.0 / per_s
        self._thread = threading.Thread(target=self._talk)
        self._thread.start()

    def __enter__(self) -> Chatter:
        return self

    def __exit__(self, *_exception: object) -> None:
        self._over.set()
        self._thread.join()
        self._bus.shutdown()

    def _talk(self) -> None:
        while not self._over.wait(self._pause_s):
            self._bus.send(can.Message(arbitration_id=0x123, data=b"\x00", is_extended_id=False))


def hub_chatter(hub: Hub, per_s: float = 50.0) -> Chatter:
    """Chatter on a hub."""
    return Chatter(HubBus(hub.address), per_s)
