"""How fast ingest stores, against two limits measured in the same run.

    python -m tests.bench.bench_ingest [--reports 20000] [--rounds 3] [--live 1000]
    python -m tests.bench.bench_ingest --store FILE   # with what a store of the demo holds

Each round queues the same reports in a real Mosquitto, then drains them: (a) by the leanest paho
loop: decode, batch, commit the raw report with the same durability, one receipt a gateway and
batch, once with batches of up to 200, the size such a loop was designed with, and once of up to
1,000, as ours; (ours) by the service with all its domain work; and (b) stores them in the database
alone, without a broker; on SQLite and on PostgreSQL. Then reports are published live, and the time
from publishing to the commit is taken. Ratios are medians of rounds; rates depend on the machine
and on who else uses it, which disturbs the ratio of processor time the least.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from sqlalchemy import select

from gateway import contract
from ingest import queries
from ingest.arrival import Arrival
from ingest.clock import SystemClock
from ingest.collector import settle_collector
from ingest.config import Site, parse_broker
from ingest.domain.vehicles import Vehicle
from ingest.intake import Intake
from ingest.metrics import Metrics
from ingest.service import Service
from ingest.store.database import read
from ingest.store.schema import report
from ingest.subscriber import BATCH, Outgoing, Subscriber
from tests.support import lean_ingest
from tests.support.bench_results import keep
from tests.support.databases import DURABLE
from tests.support.lean_ingest import Message, Timer, Took
from tests.support.reports import history, load, opened, vehicle
from tests.support.services import RunningBroker, running_mosquitto, running_postgres

GATEWAYS = 200
LEAN_BATCHES = {"lean_loop": 200, "lean_loop_our_batch": BATCH}
OURS = "fleet-ingest-0-of-1"
LINES = ("max_inflight_messages 2000", "set_tcp_nodelay true")
"""As in `ingest/deploy/mosquitto.conf`."""


@dataclass(frozen=True)
class Fleet:
    """A vehicle list, and the reports of its gateways as they come in."""

    vehicles: Sequence[Vehicle]
    messages: Sequence[Message]


def bodies(count: int) -> list[Message]:
    """Reports of many gateways, each gateway's in order, interleaved as a fleet sends them."""
    per = -(-count // GATEWAYS)
    lives = [history(number, per) for number in range(1, GATEWAYS + 1)]
    mixed = [lives[n % GATEWAYS][n // GATEWAYS] for n in range(count)]
    return [(contract.topic(one.gateway, "report"), contract.encode(one)) for one in mixed]


def made(count: int) -> Fleet:
    """A fleet whose vehicles are livelier than any real one: a lamp turns at one report in ten."""
    return Fleet([vehicle(number) for number in range(1, GATEWAYS + 1)], bodies(count))


def stored(url: str) -> Fleet:
    """The fleet of a store, its gateways' reports interleaved."""
    with opened(url) as engine, read(engine) as connection:
        rows = connection.execute(select(report).order_by(report.c.seq, report.c.gateway))
        messages = [(contract.topic(row.gateway, "report"), row.body) for row in rows]
        return Fleet(queries.vehicle_list(engine), messages)


def service(broker: RunningBroker, fleet: Fleet, url: str) -> Took:
    """Ours: what the service takes to drain and store all reports, domain work included."""
    count = len(fleet.messages)
    with opened(url) as engine:
        load(engine, *fleet.vehicles)
        running = Service(engine, parse_broker(broker.url), SystemClock(), Site())
        timer = Timer()
        running.start()
        while running.subscriber.committed < count:
            time.sleep(0.005)
        took = timer.took()
        running.stop()
        assert queries.stored_counts(engine)["reports"] == count
    return took


def one_round(fleet: Fleet, folder: Path, server: str | None) -> dict[str, Took]:
    """What each way took, in one go on the same machine."""
    messages, count = fleet.messages, len(fleet.messages)
    found = dict[str, Took]()
    # Ours refuses a database with strange tables: the raw one is gone before, and made anew after.
    for name, batch in LEAN_BATCHES.items():
        with (
            lean_ingest.raw_store(server or f"sqlite:///{folder}/{name}.sqlite3") as store,
            running_mosquitto(folder, LINES) as broker,
        ):
            lean_ingest.queue(broker, "lean", messages)
            found[name] = lean_ingest.lean_loop(broker, "lean", count, store, batch)
    with running_mosquitto(folder, LINES) as broker:
        lean_ingest.queue(broker, OURS, messages)
        found["ours"] = service(broker, fleet, server or f"sqlite:///{folder}/fleet.sqlite3")
    with lean_ingest.raw_store(server or f"sqlite:///{folder}/alone.sqlite3") as store:
        found["database_alone"] = lean_ingest.database_alone(messages, store)
    return found


def rounds_of(kind: str, fleet: Fleet, rounds: int) -> dict[str, object]:
    """Some rounds on one kind of database, as medians."""
    found = []
    for _ in range(rounds):
        with tempfile.TemporaryDirectory(dir="/var/tmp", prefix="fleet-bench-") as name:
            if kind == "sqlite":
                found.append(one_round(fleet, Path(name), None))
            else:
                with running_postgres(DURABLE) as server:
                    found.append(one_round(fleet, Path(name), server))
    count = len(fleet.messages)

    def ratio(limit: str, of: Callable[[Took], float]) -> float:
        return round(statistics.median(of(one[limit]) / of(one["ours"]) for one in found), 3)

    return {
        "median_reports_per_s": {
            way: round(statistics.median(count / one[way].wall_s for one in found))
            for way in found[0]
        },
        "median_cpu_us_a_report": {
            way: round(statistics.median(one[way].cpu_s / count * 1e6 for one in found), 1)
            for way in found[0]
        },
        "ratios": {
            limit: ratio(limit, lambda took: took.wall_s) for limit in found[0] if limit != "ours"
        },
        "ratios_of_cpu": {limit: ratio(limit, lambda took: took.cpu_s) for limit in LEAN_BATCHES},
    }


def publish(url: str, rate: float, count: int) -> None:
    """Publish `count` reports at an even rate; tell when each went out (CLOCK_MONOTONIC)."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="bench-sender")
    client.max_inflight_messages_set(1000)
    address = parse_broker(url)
    client.connect(address.host, address.port)
    client.loop_start()
    messages, sent = bodies(count), []
    begun = time.monotonic()
    for number, (topic, body) in enumerate(messages):
        time.sleep(max(0.0, begun + number / rate - time.monotonic()))
        sent.append(time.monotonic())
        client.publish(topic, body, qos=1)
    print(" ".join(f"{one:.6f}" for one in sent), flush=True)
    time.sleep(2)
    client.disconnect()


def live(rate: float, count: int, url: str, folder: Path) -> dict[str, float]:
    """Milliseconds from publishing (in another process) to the commit, at an even rate."""
    number_of = {body: number for number, (_, body) in enumerate(bodies(count))}
    done: dict[int, float] = {}
    with opened(url) as engine, running_mosquitto(folder, LINES) as broker:
        load(engine, *(vehicle(number) for number in range(1, GATEWAYS + 1)))
        intake = Intake(engine, SystemClock(), Metrics())

        def store(batch: Sequence[Arrival]) -> Sequence[Outgoing]:
            receipts = intake.store(batch)
            now = time.monotonic()
            for one in batch:
                done.setdefault(number_of[one.body], now)
            return receipts

        subscriber = Subscriber(parse_broker(broker.url), store, SystemClock().now)
        stop = threading.Event()
        thread = threading.Thread(target=subscriber.run, args=(stop,))
        thread.start()
        subscriber.ready.wait(30)
        command = [sys.executable, "-m", "tests.bench.bench_ingest", "--publish", broker.url]
        child = subprocess.run(
            [*command, str(rate), str(count)], stdout=subprocess.PIPE, check=True, text=True,
            env=dict(os.environ),
        )  # fmt: skip
        sent = [float(word) for word in child.stdout.split()]
        end = time.monotonic() + 60
        while len(done) < count and time.monotonic() < end:
            time.sleep(0.02)
        stop.set()
        thread.join()
    assert len(done) == count, f"{count - len(done)} were not stored"
    waited = np.array([done[number] - sent[number] for number in range(count)]) * 1000
    return {
        "reports_per_s": rate,
        "p50_ms": round(float(np.percentile(waited, 50)), 2),
        "p99_ms": round(float(np.percentile(waited, 99)), 2),
        "worst_ms": round(float(waited.max()), 2),
    }


def live_on(kind: str, rates: Sequence[float], seconds: float) -> list[dict[str, float]]:
    """The live figures on one kind of database, each rate with a fresh store."""
    found = []
    for rate in rates:
        with tempfile.TemporaryDirectory(dir="/var/tmp", prefix="fleet-bench-") as name:
            count = round(rate * seconds)
            if kind == "sqlite":
                found.append(live(rate, count, f"sqlite:///{name}/fleet.sqlite3", Path(name)))
            else:
                with running_postgres(DURABLE) as server:
                    found.append(live(rate, count, server, Path(name)))
    return found


def main() -> None:
    """Run the rounds, print and keep the medians."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--reports", type=int, default=20_000)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--live", type=float, nargs="+", default=[83, 1000])
    parser.add_argument("--store", type=Path, help="an SQLite store to take the reports from")
    parser.add_argument("--publish", nargs=3, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.publish:
        return publish(options.publish[0], float(options.publish[1]), int(options.publish[2]))
    if options.store:
        fleet = stored(f"sqlite:///{options.store.absolute()}")
    else:
        fleet = made(options.reports)
    settle_collector()  # for both sides alike
    count = len(fleet.messages)
    found: dict[str, object] = {
        "vehicles": len(fleet.vehicles),
        "reports": count,
        "mean_bytes": round(statistics.fmean(len(body) for _, body in fleet.messages)),
        "rounds": options.rounds,
    }
    for kind in ("sqlite", "postgresql"):
        found[kind] = rounds_of(kind, fleet, options.rounds)
        if not options.store:
            found[f"{kind}_publish_to_commit"] = live_on(kind, options.live, 15)
    found["aim"] = "of the lean loop, one process: at least 0.5 on SQLite, 0.4 on PostgreSQL"
    keep("ingest-demo" if options.store else "ingest", found)
    return None


if __name__ == "__main__":
    main()
