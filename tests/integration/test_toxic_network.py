"""A bad network, and a broker that dies: what the gateways' outboxes held is stored, once.

Real gateways (outbox and publisher), a real Mosquitto, the real service. The publisher's waits
run on a clock that is `FAST` times as fast, so that its resending is seen within the test.
"""

from __future__ import annotations

import json
import random
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from datetime import UTC, datetime
from pathlib import Path

import pytest
from sqlalchemy import Engine

from gateway import contract
from gateway.outbox import Outbox
from gateway.publisher import Publisher
from ingest import queries
from ingest.clock import SystemClock
from ingest.config import Site, parse_broker
from ingest.handlers import rebuild
from ingest.service import Service
from tests.support.reports import NOW, gateway_name, load, opened, report, vehicle
from tests.support.services import RunningBroker, unused_port
from tests.support.toxic import TOXICS, Proxy, Toxic, toxic_proxy

FAST = 60.0
GATEWAYS = 4
RESULTS = Path(__file__).parents[1] / "bench" / "results" / "broker-kills.json"


class Yard:
    """A few gateways that keep appending and publishing through one port."""

    def __init__(self, folder: Path, port: int) -> None:
        self.appended = 0
        self._gateways = []
        for number in range(1, GATEWAYS + 1):
            outbox = Outbox(folder / f"{number}.sqlite3", lambda: datetime.now(UTC))
            publisher = Publisher(
                outbox,
                gateway_name(number),
                "127.0.0.1",
                port,
                monotonic=lambda: time.monotonic() * FAST,
            )
            self._gateways.append((number, outbox, publisher))

    def append(self, count: int) -> None:
        """Store `count` more reports, one gateway after the other."""
        for _ in range(count):
            number, outbox, _ = self._gateways[self.appended % GATEWAYS]
            outbox.append(self._build(number, outbox))
            self.appended += 1

    @staticmethod
    def _build(
        number: int, outbox: Outbox
    ) -> Callable[[int, list[list[int]]], Sequence[contract.Report]]:
        def build(seq: int, _dropped: list[list[int]]) -> Sequence[contract.Report]:
            created = outbox.journal_created_at
            one = report(number, seq, journal=outbox.journal, journal_created_at=created)
            return [one]

        return build

    def turn(self, seconds: float) -> None:
        """Let every publisher do what is due."""
        until = time.monotonic() + seconds
        while time.monotonic() < until:
            for _, _, publisher in self._gateways:
                publisher.loop()
            time.sleep(0.005)

    def pending(self) -> int:
        """Reports without a receipt."""
        return sum(outbox.pending() for _, outbox, _ in self._gateways)

    def close(self) -> None:
        """Leave the broker."""
        for _, outbox, publisher in self._gateways:
            publisher.stop(timeout_s=0.2)
            outbox.close()


@contextmanager
def world(folder: Path, broker_port: int, gateway_port: int) -> Iterator[tuple[Yard, Engine]]:
    with ExitStack() as stack:
        engine = stack.enter_context(opened(f"sqlite:///{folder}/fleet.sqlite3"))
        load(engine, *(vehicle(number) for number in range(1, GATEWAYS + 1)))
        address = parse_broker(f"mqtt://127.0.0.1:{broker_port}")
        service = Service(engine, address, SystemClock(), Site())
        service.start()
        stack.callback(service.stop)
        assert service.subscriber.ready.wait(15)
        yard = Yard(folder, gateway_port)
        stack.callback(yard.close)
        yield yard, engine


def drain(yard: Yard, seconds: float = 60) -> None:
    until = time.monotonic() + seconds
    while yard.pending() and time.monotonic() < until:
        yard.turn(0.1)


def check(yard: Yard, engine: Engine) -> None:
    counts = queries.stored_counts(engine)
    assert yard.pending() == 0
    assert counts["reports"] == yard.appended
    assert counts["dead_letters"] == 0
    assert rebuild(engine, check=True, now=NOW).differences == ()


def suffer(yard: Yard, proxy: Proxy, toxic: Toxic) -> None:
    yard.append(40)
    yard.turn(0.3)
    proxy.toxic = toxic
    for _ in range(10):
        yard.append(8)
        yard.turn(0.25)
    proxy.toxic = "none"
    proxy.cut()  # what a black hole swallowed cannot be mended on the same connection


@pytest.mark.parametrize("toxic", TOXICS)
@pytest.mark.parametrize("side", ["gateway", "ingest"])
def test_a_bad_network_loses_nothing(
    side: str, toxic: Toxic, mosquitto: RunningBroker, tmp_path: Path
) -> None:
    with toxic_proxy(mosquitto.port, seed=3) as proxy:
        near = proxy.port if side == "ingest" else mosquitto.port
        far = proxy.port if side == "gateway" else mosquitto.port
        with world(tmp_path, near, far) as (yard, engine):
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
        yard, engine = stack.enter_context(world(folder, port, port))
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
