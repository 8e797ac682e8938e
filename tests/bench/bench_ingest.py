"""How fast ingest stores, against two limits measured in the same run.

    python -m tests.bench.bench_ingest [--reports 20000] [--rounds 3]

Each round queues the same reports in a real Mosquitto, then drains them three ways:
(a) the leanest paho loop: decode, batch, commit the raw report with the same durability, one
    receipt a gateway and batch; (ours) the service with all its domain work; and
(b) the database alone, without a broker. Ratios are printed and kept; rates depend on the machine.
"""

from __future__ import annotations

import argparse
import select
import sqlite3
import statistics
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path

import msgspec
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from gateway import contract
from ingest import queries
from ingest.clock import SystemClock
from ingest.collector import settle_collector
from ingest.config import Site, parse_broker
from ingest.service import Service
from tests.support.bench_results import keep
from tests.support.reports import history, load, opened, vehicle
from tests.support.services import RunningBroker, running_mosquitto

GATEWAYS = 200
BATCH = 200
OURS = "fleet-ingest-0-of-1"


def bodies(count: int) -> list[tuple[str, bytes]]:
    """Reports of many gateways, each gateway's in order, interleaved as a fleet sends them."""
    per = -(-count // GATEWAYS)
    lives = [history(number, per) for number in range(1, GATEWAYS + 1)]
    mixed = [lives[n % GATEWAYS][n // GATEWAYS] for n in range(count)]
    return [(contract.topic(one.gateway, "report"), contract.encode(one)) for one in mixed]


def queue(broker: RunningBroker, client_id: str, messages: Sequence[tuple[str, bytes]]) -> None:
    """Make the session of `client_id` and let the broker fill it while nobody reads."""
    reader = _client(client_id)
    done: list[int] = []
    reader.on_subscribe = lambda *_: done.append(1)
    reader.connect(broker.host, broker.port)
    reader.loop_start()
    reader.subscribe([("fleet/v1/+/+/report", 1), ("fleet/v1/+/+/presence", 1)])
    while not done:
        time.sleep(0.01)
    reader.disconnect()
    reader.loop_stop()
    sender = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="bench-sender")
    sender.max_inflight_messages_set(1000)
    sender.connect(broker.host, broker.port)
    sender.loop_start()
    sent = [sender.publish(topic, body, qos=1) for topic, body in messages]
    for info in sent:
        info.wait_for_publish(120)
    sender.disconnect()
    sender.loop_stop()


def _client(client_id: str) -> mqtt.Client:
    return mqtt.Client(
        CallbackAPIVersion.VERSION2,
        client_id=client_id,
        protocol=mqtt.MQTTv311,
        clean_session=False,
        manual_ack=True,
    )


def _raw_store(path: Path) -> Callable[[list[tuple[str, str, int, bytes]]], None]:
    db = sqlite3.connect(path, isolation_level=None)
    db.execute("PRAGMA journal_mode=WAL")
    db.execute("PRAGMA synchronous=FULL")
    db.execute(
        "CREATE TABLE report (gateway TEXT, journal TEXT, seq INTEGER, body BLOB,"
        " PRIMARY KEY (gateway, journal, seq))"
    )

    def store(rows: list[tuple[str, str, int, bytes]]) -> None:
        db.execute("BEGIN IMMEDIATE")
        db.executemany("INSERT OR IGNORE INTO report VALUES (?, ?, ?, ?)", rows)
        db.execute("COMMIT")

    return store


def lean_loop(broker: RunningBroker, count: int, folder: Path) -> float:
    """Limit (a): seconds for the leanest loop to drain `count` reports."""
    store = _raw_store(folder / "lean.sqlite3")
    decoder = msgspec.json.Decoder(contract.Report)
    waiting: list[mqtt.MQTTMessage] = []
    client = _client("lean")
    client.on_message = lambda _c, _u, message: waiting.append(message)
    client.connect(broker.host, broker.port)
    begun, done = time.perf_counter(), 0
    while done < count:
        sock = client.socket()
        assert sock is not None
        if select.select([sock], [], [], 0.5)[0]:
            for _ in range(64):
                before = len(waiting)
                client.loop_read()
                if len(waiting) in (before, BATCH):
                    break
        if client.want_write():
            client.loop_write()
        quiet = not select.select([sock], [], [], 0)[0]
        if len(waiting) >= BATCH or (waiting and quiet):
            done += _lean_flush(client, waiting, decoder, store)
    seconds = time.perf_counter() - begun
    client.disconnect()
    return seconds


def _lean_flush(
    client: mqtt.Client,
    waiting: list[mqtt.MQTTMessage],
    decoder: msgspec.json.Decoder[contract.Report],
    store: Callable[[list[tuple[str, str, int, bytes]]], None],
) -> int:
    rows, last = [], {}
    for message in waiting:
        one = decoder.decode(message.payload)
        rows.append((one.gateway, one.journal, one.seq, bytes(message.payload)))
        last[one.gateway] = one
    store(rows)
    for message in waiting:
        client.ack(message.mid, 1)
    for gateway, one in last.items():
        receipt = contract.Receipt(
            schema="receipt/1", gateway=gateway, journal=one.journal, through=one.seq,
            also=[], aside=[], at=contract.format_time(SystemClock().now()),
        )  # fmt: skip
        client.publish(contract.topic(gateway, "receipt"), contract.encode(receipt), qos=0)
    count = len(waiting)
    waiting.clear()
    return count


def service(broker: RunningBroker, count: int, url: str) -> float:
    """Ours: seconds for the service to drain and store `count` reports, domain work included."""
    with opened(url) as engine:
        load(engine, *(vehicle(number) for number in range(1, GATEWAYS + 1)))
        running = Service(engine, parse_broker(broker.url), SystemClock(), Site())
        begun = time.perf_counter()
        running.start()
        while running.subscriber.committed < count:
            time.sleep(0.005)
        seconds = time.perf_counter() - begun
        running.stop()
        assert queries.stored_counts(engine)["reports"] == count
    return seconds


def database_alone(messages: Sequence[tuple[str, bytes]], folder: Path) -> float:
    """Limit (b): seconds to commit the same raw reports in the same batches, no broker."""
    store = _raw_store(folder / "alone.sqlite3")
    decoder = msgspec.json.Decoder(contract.Report)
    begun = time.perf_counter()
    for start in range(0, len(messages), BATCH):
        part = [(decoder.decode(body), body) for _, body in messages[start : start + BATCH]]
        store([(one.gateway, one.journal, one.seq, body) for one, body in part])
    return time.perf_counter() - begun


def one_round(messages: Sequence[tuple[str, bytes]]) -> dict[str, float]:
    """Reports a second of each way, in one go on the same machine."""
    count = len(messages)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with running_mosquitto(folder, ["max_inflight_messages 1000"]) as broker:
            queue(broker, "lean", messages)
            lean = lean_loop(broker, count, folder)
        with running_mosquitto(folder, ["max_inflight_messages 1000"]) as broker:
            queue(broker, OURS, messages)
            ours = service(broker, count, f"sqlite:///{folder}/fleet.sqlite3")
        alone = database_alone(messages, folder)
    return {"lean_loop": count / lean, "ours": count / ours, "database_alone": count / alone}


def main() -> None:
    """Run the rounds, print and keep the medians."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--reports", type=int, default=20_000)
    parser.add_argument("--rounds", type=int, default=3)
    options = parser.parse_args()
    messages = bodies(options.reports)
    settle_collector()  # for both sides alike
    rounds = [one_round(messages) for _ in range(options.rounds)]
    rates = {name: round(statistics.median(one[name] for one in rounds)) for name in rounds[0]}
    found = {
        "reports": options.reports,
        "rounds": options.rounds,
        "median_reports_per_s": rates,
        "ratio_to_lean_loop": round(
            statistics.median(one["ours"] / one["lean_loop"] for one in rounds), 3
        ),
        "ratio_to_database_alone": round(
            statistics.median(one["ours"] / one["database_alone"] for one in rounds), 3
        ),
        "aim": "at least 0.5 of the lean loop on SQLite, in one process",
    }
    keep("ingest", found)


if __name__ == "__main__":
    main()
