"""How much one gateway that floods delays fifty others: from publishing to the receipt.

    python -m tests.bench.bench_noisy_gateway [--seconds 20] [--flood 1000 2000 4000]

A receipt follows the commit, so its time is an upper bound of publish-to-commit. The service, the
flooding gateway and the fifty run in three processes against a real Mosquitto. Each flood (reports
a second) is measured twice, with the allowance of each gateway and, as the limit to compare with,
without any; and once without a flood. All figures are of one run on one machine.
"""

from __future__ import annotations

import argparse
import os
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from gateway import contract
from ingest import queries
from ingest.clock import SystemClock
from ingest.config import Site, parse_broker
from ingest.domain.rate_limit import BURST, RateLimit
from ingest.service import Service
from tests.support.bench_results import keep
from tests.support.reports import history, load, opened, report, vehicle
from tests.support.services import RunningBroker, running_mosquitto

QUIET = 50
NOISY = QUIET + 1
NO_LIMIT = 10**9
LINES = ("max_inflight_messages 2000", "set_tcp_nodelay true")
"""As in `ingest/deploy/mosquitto.conf`."""
WAIT_S = 60.0


def serve(url: str, database: str, burst: int) -> None:
    """The service, until SIGTERM; with another allowance than its own where `burst` says so."""
    with opened(database) as engine:
        limit = RateLimit(burst=burst)
        service = Service(engine, parse_broker(url), SystemClock(), Site(), limit=limit)
        stop = threading.Event()
        signal.signal(signal.SIGTERM, lambda *_: stop.set())
        service.start()
        service.subscriber.ready.wait(WAIT_S)
        print("ready", flush=True)
        stop.wait()
        service.stop()


def flood(url: str, rate: int, seconds: float) -> None:
    """One gateway that publishes `rate` reports a second, whatever the broker says."""
    client = _client(url, "noisy")
    bodies = [contract.encode(one) for one in history(NOISY, int(rate * seconds))]
    topic = contract.topic(f"gw-{NOISY:04d}", "report")
    print("ready", flush=True)
    begun = time.monotonic()
    for number, body in enumerate(bodies):
        client.publish(topic, body, qos=1)
        ahead = begun + number / rate - time.monotonic()
        if ahead > 0.002:
            time.sleep(ahead)
    print(round(len(bodies) / (time.monotonic() - begun)), flush=True)
    time.sleep(2)
    client.disconnect()


def _client(url: str, name: str) -> mqtt.Client:
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=name, protocol=mqtt.MQTTv311)
    client.max_inflight_messages_set(1000)
    address = parse_broker(url)
    client.connect(address.host, address.port)
    client.loop_start()
    return client


@contextmanager
def _child(*words: object) -> Iterator[subprocess.Popen[str]]:
    """Another part of this bench in a process of its own, ready."""
    command = [sys.executable, "-m", "tests.bench.bench_noisy_gateway", *map(str, words)]
    child = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=dict(os.environ))
    assert child.stdout is not None
    try:
        assert child.stdout.readline() == "ready\n"
        yield child
    finally:
        child.terminate()
        child.wait(WAIT_S)


@dataclass
class Quiet:
    """Fifty gateways, one report a second each, evenly spread; when each was receipted."""

    url: str

    def __post_init__(self) -> None:
        self._sent: dict[tuple[str, int], float] = {}
        self._through: dict[str, int] = {}
        self.waited: list[float] = []
        self._client = _client(self.url, "quiet")
        self._client.on_message = self._receipted
        self._client.subscribe("fleet/v1/+/+/receipt")

    def _receipted(
        self, _client: mqtt.Client, _userdata: object, message: mqtt.MQTTMessage
    ) -> None:
        now, receipt = time.monotonic(), contract.decode_receipt(bytes(message.payload))
        for seq in range(self._through.get(receipt.gateway, 0) + 1, receipt.through + 1):
            if (receipt.gateway, seq) in self._sent:
                self.waited.append(now - self._sent[receipt.gateway, seq])
        self._through[receipt.gateway] = max(receipt.through, self._through.get(receipt.gateway, 0))

    def run(self, seconds: float) -> None:
        """Publish for so long, then wait for the last receipt."""
        begun, count = time.monotonic(), int(QUIET * seconds)
        for turn in range(count):
            one = report(turn % QUIET + 1, turn // QUIET + 1)
            time.sleep(max(0.0, begun + turn / QUIET - time.monotonic()))
            self._sent[one.gateway, one.seq] = time.monotonic()
            self._client.publish(contract.topic(one.gateway, "report"), contract.encode(one), qos=1)
        end = time.monotonic() + WAIT_S
        while len(self.waited) < count and time.monotonic() < end:
            time.sleep(0.02)
        assert len(self.waited) == count, f"{count - len(self.waited)} were not receipted"
        self._client.disconnect()
        self._client.loop_stop()


def one_run(rate: int, burst: int, seconds: float) -> dict[str, object]:
    """Milliseconds from publishing to the receipt of the fifty, and what became of the flood."""
    with tempfile.TemporaryDirectory(dir="/var/tmp", prefix="fleet-bench-") as name:
        folder = Path(name)
        database = f"sqlite:///{folder}/fleet.sqlite3"
        with opened(database) as engine:
            load(engine, *(vehicle(number) for number in range(1, NOISY + 1)))
        with running_mosquitto(folder, LINES) as broker:
            return _measured(broker, database, rate, burst, seconds)


def _measured(
    broker: RunningBroker, database: str, rate: int, burst: int, seconds: float
) -> dict[str, object]:
    flooded = int(rate * seconds)
    with _child("serve", broker.url, database, burst):
        quiet = Quiet(broker.url)
        got = 0
        if rate:
            with _child("flood", broker.url, rate, seconds) as noisy:
                quiet.run(seconds)
                assert noisy.stdout is not None
                got = int(noisy.stdout.readline())
        else:
            quiet.run(seconds)
        begun = time.monotonic()
        with opened(database) as engine:
            wanted = flooded + int(QUIET * seconds)
            while (stored := queries.stored_counts(engine)["reports"]) < wanted:
                assert time.monotonic() < begun + 10 * WAIT_S, f"{wanted - stored} are missing"
                time.sleep(0.1)
        late = time.monotonic() - begun
    waited = np.array(quiet.waited) * 1000
    return {
        "flood_asked": rate,
        "flood_published": got,
        "allowance": "none" if burst == NO_LIMIT else f"{burst}, then 1 a second",
        "p50_ms": round(float(np.percentile(waited, 50)), 1),
        "p99_ms": round(float(np.percentile(waited, 99)), 1),
        "worst_ms": round(float(waited.max()), 1),
        "flood_all_stored_after_s": round(late, 1),
        "lost": 0,
    }


def main() -> None:
    """Measure, print and keep."""
    if len(sys.argv) > 1 and sys.argv[1] == "serve":
        return serve(sys.argv[2], sys.argv[3], int(sys.argv[4]))
    if len(sys.argv) > 1 and sys.argv[1] == "flood":
        return flood(sys.argv[2], int(sys.argv[3]), float(sys.argv[4]))
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=20)
    parser.add_argument("--flood", type=int, nargs="+", default=[1000, 2000, 4000])
    options = parser.parse_args()
    alone = one_run(0, BURST, options.seconds)
    runs = [
        one_run(rate, burst, options.seconds)
        for rate in options.flood
        for burst in (BURST, NO_LIMIT)
    ]
    keep(
        "noisy_gateway",
        {
            "quiet_gateways": QUIET,
            "seconds": options.seconds,
            "samples": int(QUIET * options.seconds),
            "alone": alone,
            **{f"flood {one['flood_asked']}, {one['allowance']}": one for one in runs},
        },
    )
    return None


if __name__ == "__main__":
    main()
