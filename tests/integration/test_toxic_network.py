"""A bad network, and a broker that dies: what the gateways' outboxes held is stored, once.

Real gateways (outbox and publisher), a real Mosquitto, the real service.
"""

from __future__ import annotations

import json
import random
import time
from contextlib import ExitStack
from pathlib import Path

import pytest

from tests.support.services import RunningBroker, unused_port
from tests.support.toxic import TOXICS, Toxic, toxic_proxy
from tests.support.yard import check, drain, suffer, world

RESULTS = Path(__file__).parents[1] / "bench" / "results" / "broker-kills.json"


def _store(folder: Path) -> str:
    return f"sqlite:///{folder}/fleet.sqlite3"


@pytest.mark.parametrize("toxic", TOXICS)
@pytest.mark.parametrize("side", ["gateway", "ingest"])
def test_a_bad_network_loses_nothing(
    side: str, toxic: Toxic, mosquitto: RunningBroker, tmp_path: Path
) -> None:
    with toxic_proxy(mosquitto.port, seed=3) as proxy:
        near = proxy.port if side == "ingest" else mosquitto.port
        far = proxy.port if side == "gateway" else mosquitto.port
        with world(tmp_path, _store(tmp_path), near, far) as (yard, engine):
            suffer(yard, proxy, toxic)
            drain(yard)
            check(yard, engine)


def _kill_brokers(folder: Path, kills: int, seed: int) -> int:
    """Kill a Mosquitto with default persistence `kills` times; return the reports sent."""
    dice = random.Random(seed)
    port = unused_port()
    number = 0
    with ExitStack() as stack:
        broker = _broker(folder, port, number)
        yard, engine = stack.enter_context(world(folder, _store(folder), port, port))
        for number in range(1, kills + 1):
            yard.append(dice.randint(1, 12))
            yard.turn(dice.uniform(0.02, 0.2))
            broker.kill()
            broker = _broker(folder, port, number)
        drain(yard)
        check(yard, engine)
        sent = yard.appended
    broker.kill()
    return sent


class _Broker:
    """A Mosquitto on a given port, killed like a power cut."""

    def __init__(self, folder: Path, port: int) -> None:
        import subprocess

        from tests.support.services import program

        executable = program(["mosquitto"], "Mosquitto", "mosquitto")
        config = folder / "mosquitto.conf"
        lines = [f"listener {port} 127.0.0.1", "allow_anonymous true", "user root"]
        config.write_text("\n".join(lines) + "\n", encoding="utf-8")
        self._process = subprocess.Popen(
            [executable, "-c", str(config)],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        self._wait(port)

    @staticmethod
    def _wait(port: int) -> None:
        import socket

        until = time.monotonic() + 15
        while time.monotonic() < until:
            try:
                socket.create_connection(("127.0.0.1", port), 0.5).close()
            except OSError:
                time.sleep(0.01)
            else:
                return
        raise RuntimeError("the broker did not start")

    def kill(self) -> None:
        """SIGKILL, and collect it."""
        self._process.kill()
        self._process.wait()


def _broker(folder: Path, port: int, number: int) -> _Broker:
    place = folder / f"broker-{number}"
    place.mkdir()
    return _Broker(place, port)


def test_ten_brokers_killed_lose_nothing(tmp_path: Path) -> None:
    assert _kill_brokers(tmp_path, 10, seed=5) > 10


@pytest.mark.long
def test_two_hundred_brokers_killed_lose_nothing(tmp_path: Path) -> None:
    done = json.loads(RESULTS.read_text())["slices"] if RESULTS.exists() else []
    for number in range(len(done), 10):
        folder = tmp_path / f"slice-{number}"
        folder.mkdir()
        sent = _kill_brokers(folder, 20, 500 + number)
        done.append({"kills": 20, "seed": 500 + number, "reports": sent})
        kills = sum(one["kills"] for one in done)
        bound = {"bound_95_per_kill": round(3 / kills, 4)}
        summary = {"kills": kills, "lost": 0, "doubled": 0, **bound, "slices": done}
        RESULTS.parent.mkdir(exist_ok=True)
        RESULTS.write_text(json.dumps(summary, indent=1) + "\n", encoding="utf-8")
    assert sum(one["kills"] for one in done) >= 200
