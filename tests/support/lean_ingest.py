"""The limits that the ingest benches compare with: as little as can be done with a report.

The loop and its rule for a batch are those of `ingest/subscriber.py`; the durability is the same
(SQLite: WAL with synchronous FULL; PostgreSQL: synchronous_commit on, fsync on).
"""

from __future__ import annotations

import select
import socket
import sqlite3
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass

import msgspec
import paho.mqtt.client as mqtt
import psycopg
from paho.mqtt.enums import CallbackAPIVersion
from sqlalchemy import make_url

from gateway import contract
from ingest.clock import SystemClock
from ingest.subscriber import BATCH, in_few_packets
from tests.support.services import RunningBroker

FILTERS = ("fleet/v1/+/+/report", "fleet/v1/+/+/presence")
Message = tuple[str, bytes]
"""(topic, body)"""
Row = tuple[str, str, int, bytes]
"""(gateway, journal, seq, body as received)"""
RawStore = Callable[[list[Row]], object]
_TABLE = "gateway TEXT, journal TEXT, seq BIGINT, body {}, PRIMARY KEY (gateway, journal, seq)"


@dataclass(frozen=True)
class Took:
    """What storing some reports took: seconds by the clock, and of this process's own work."""

    wall_s: float
    cpu_s: float


class Timer:
    """Measures from its making to `took`."""

    def __init__(self) -> None:
        self._wall, self._cpu = time.perf_counter(), time.process_time()

    def took(self) -> Took:
        """What has passed since."""
        return Took(time.perf_counter() - self._wall, time.process_time() - self._cpu)


@contextmanager
def raw_store(url: str) -> Iterator[RawStore]:
    """The plainest way of committing a batch of raw reports, each once, in the database at `url`.

    SQLite: one prepared statement. PostgreSQL: one array a column, in binary, the fastest of those
    measured there for batches of this size.
    """
    parsed = make_url(url)
    if parsed.get_backend_name() == "sqlite":
        db = sqlite3.connect(parsed.database or "", isolation_level=None, check_same_thread=False)
        for line in ("journal_mode=WAL", "synchronous=FULL", "wal_autocheckpoint=8000"):
            db.execute(f"PRAGMA {line}")
        db.execute(f"CREATE TABLE raw ({_TABLE.format('BLOB')})")

        def lite(rows: list[Row]) -> None:
            db.execute("BEGIN IMMEDIATE")
            db.executemany("INSERT OR IGNORE INTO raw VALUES (?, ?, ?, ?)", rows)
            db.execute("COMMIT")

        yield lite
        db.close()
        return
    plain = parsed.set(drivername="postgresql").render_as_string(hide_password=False)
    with psycopg.connect(plain, autocommit=True) as server:
        server.execute(f"CREATE TABLE raw ({_TABLE.format('BYTEA')})")
        text = "INSERT INTO raw SELECT * FROM unnest({}) ON CONFLICT DO NOTHING".format(
            ", ".join(f"%b::{kind}[]" for kind in ("text", "text", "bigint", "bytea"))
        )
        yield lambda rows: server.execute(text, [list(one) for one in zip(*rows, strict=True)])
        server.execute("DROP TABLE raw")


def session(client_id: str) -> mqtt.Client:
    """A client that keeps its session and acknowledges by hand, as ingest's own."""
    client = mqtt.Client(
        CallbackAPIVersion.VERSION2,
        client_id=client_id,
        protocol=mqtt.MQTTv311,
        clean_session=False,
        manual_ack=True,
    )
    client.on_socket_open = _at_once
    return client


def _at_once(_client: mqtt.Client, _userdata: object, sock: object) -> None:
    assert isinstance(sock, socket.socket)
    sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)


def queue(broker: RunningBroker, client_id: str, messages: Sequence[Message]) -> None:
    """Make the session of `client_id` and let the broker fill it while nobody reads."""
    reader = session(client_id)
    done: list[int] = []
    reader.on_subscribe = lambda *_: done.append(1)
    reader.connect(broker.host, broker.port)
    reader.loop_start()
    reader.subscribe([(one, 1) for one in FILTERS])
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


def lean_loop(
    broker: RunningBroker, client_id: str, count: int, store: RawStore, batch: int
) -> Took:
    """Limit (a): decode, batch, commit the raw report, one receipt a gateway and batch."""
    decoder = msgspec.json.Decoder(contract.Report)
    waiting: list[mqtt.MQTTMessage] = []
    client = session(client_id)
    client.on_message = lambda _c, _u, message: waiting.append(message)
    timer, done = Timer(), 0
    client.connect(broker.host, broker.port)
    while done < count:
        sock = client.socket()
        assert sock is not None
        if select.select([sock], [], [], 0.5)[0]:
            for _ in range(64):
                before = len(waiting)
                client.loop_read()
                if len(waiting) in (before, batch):
                    break
        if client.want_write():
            client.loop_write()
        if len(waiting) >= batch or (waiting and not select.select([sock], [], [], 0)[0]):
            done += _flush(client, waiting, decoder, store)
    took = timer.took()
    client.disconnect()
    return took


def _flush(
    client: mqtt.Client,
    waiting: list[mqtt.MQTTMessage],
    decoder: msgspec.json.Decoder[contract.Report],
    store: RawStore,
) -> int:
    rows, last = [], {}
    for message in waiting:
        one = decoder.decode(message.payload)
        rows.append((one.gateway, one.journal, one.seq, bytes(message.payload)))
        last[one.gateway] = one
    store(rows)
    at = contract.format_time(SystemClock().now())
    with in_few_packets(client.socket()):
        for message in waiting:
            client.ack(message.mid, 1)
        for gateway, one in last.items():
            receipt = contract.Receipt(
                schema="receipt/1", gateway=gateway, journal=one.journal, through=one.seq,
                also=[], aside=[], at=at,
            )  # fmt: skip
            client.publish(contract.topic(gateway, "receipt"), contract.encode(receipt), qos=0)
    count = len(waiting)
    waiting.clear()
    return count


def database_alone(messages: Sequence[Message], store: RawStore) -> Took:
    """Limit (b): decode and commit the same raw reports in the same batches, no broker."""
    decoder = msgspec.json.Decoder(contract.Report)
    timer = Timer()
    for start in range(0, len(messages), BATCH):
        part = [(decoder.decode(body), body) for _, body in messages[start : start + BATCH]]
        store([(one.gateway, one.journal, one.seq, body) for one, body in part])
    return timer.took()
