"""Kill ingest at random moments under a steady stream, and count what became of each report.

Words of the report: attempted (published), receipted (said to be stored), missing (published,
never sent again by anybody, and not stored at the end), lost (receipted and not stored), doubled.
The sender never resends and the broker is never killed: what ingest acknowledges to the broker
without storing it would be missing.
"""

from __future__ import annotations

import os
import random
import signal
import time
import traceback
from dataclasses import dataclass, field

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from sqlalchemy import Connection, Engine, select, text

from gateway import contract
from ingest.clock import SystemClock
from ingest.config import Site, parse_broker
from ingest.domain.rate_limit import RateLimit
from ingest.handlers import rebuild
from ingest.service import Service
from ingest.store.database import read
from ingest.store.schema import report
from tests.support.reports import NOW, history, load, opened, vehicle
from tests.support.services import RunningBroker
from tests.support.stored_keys import stored_keys

GATEWAYS = 20
BURST = 4
PAUSE_S = 0.02
HOLDING = RateLimit(burst=1)
DRAIN_S = 120.0


@dataclass
class Count:
    """What was counted; `died` (ended before its kill), `lost`, `missing`, `doubled` and
    `differences` should all be 0.

    `served` are the kills before which something of their turn was receipted already, `cut_short`
    those at which something published was not: where both are many, kills struck in the work.
    """

    kills: int = 0
    served: int = 0
    cut_short: int = 0
    died: int = 0
    attempted: int = 0
    receipted: int = 0
    lost: int = 0
    missing: int = 0
    doubled: int = 0
    differences: int = 0
    integrity: str = ""
    """What the database's own check says: "ok", or its complaint."""


@dataclass
class Stream:
    """Publishes lives of many gateways, each in order, without a thread of its own."""

    broker: RunningBroker
    seed: int
    through: dict[str, int] = field(default_factory=dict)
    sent: int = 0

    def __post_init__(self) -> None:
        """Connect, and hear the receipts."""
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="stream")
        self._client.max_inflight_messages_set(2000)
        self._client.on_message = self._receipt
        self._client.on_connect = lambda c, *_: c.subscribe("fleet/v1/+/+/receipt")
        self._client.connect(self.broker.host, self.broker.port)
        self._lives = [history(number, 400, self.seed) for number in range(1, GATEWAYS + 1)]

    def _receipt(self, _client: mqtt.Client, _userdata: object, message: mqtt.MQTTMessage) -> None:
        receipt = contract.decode_receipt(bytes(message.payload))
        before = self.through.get(receipt.gateway, 0)
        self.through[receipt.gateway] = max(before, receipt.through)

    def publish(self, count: int) -> None:
        """Send the next reports, one gateway after the other."""
        for _ in range(count):
            number, turn = self.sent % GATEWAYS, self.sent // GATEWAYS
            life = self._lives[number]
            if turn >= len(life):
                more = history(number + 1, len(life) + 400, self.seed)
                life[:] = more
            one = life[turn]
            self._client.publish(contract.topic(one.gateway, "report"), contract.encode(one), qos=1)
            self.sent += 1

    @property
    def receipted(self) -> int:
        """How many reports are said to be stored."""
        return sum(self.through.values())

    def turn(self, seconds: float) -> None:
        """Keep the connection going for a while."""
        until = time.monotonic() + seconds
        while (left := until - time.monotonic()) > 0:
            self._client.loop(min(left, 0.01))

    def close(self) -> None:
        """Leave the broker."""
        self._client.disconnect()
        self._client.on_message = None  # no cycle that paho's sockets could be found in


def _serve(broker: RunningBroker, url: str, limit: RateLimit | None = None) -> int:
    """Start ingest in a forked child, which runs until it is killed; return its id."""
    child = os.fork()
    if child:
        return child
    try:
        with opened(url) as engine:
            service = Service(engine, parse_broker(broker.url), SystemClock(), Site(), limit=limit)
            service.start()
            time.sleep(3600)
    except BaseException:
        traceback.print_exc()
    finally:
        os._exit(1)


def run(broker: RunningBroker, url: str, kills: int, seed: int) -> Count:
    """Kill ingest `kills` times at random moments, then let it drain and compare.

    `url` is of an empty database. A moment lies between 50 ms after a start and twice what this
    machine takes from a start to the first receipt, so that a slow one is struck in the work as
    well. Reports come all the while. Every other ingest takes one report of a gateway at once and
    lets the next ones wait, so that kills strike there as well.
    """
    dice = random.Random(seed)
    with opened(url) as engine:
        load(engine, *(vehicle(number) for number in range(1, GATEWAYS + 1)))
    stream = Stream(broker, seed)
    stream.turn(0.2)
    stop(_settled(broker, url, stream, 2.0))  # the session stands before the first report
    reach = 2 * _first_receipt_s(broker, url, stream)
    count = Count()
    for _ in range(kills):
        before = stream.receipted
        child = _serve(broker, url, HOLDING if count.kills % 2 else None)
        until = time.monotonic() + dice.uniform(0.05, reach)
        while time.monotonic() < until:
            stream.publish(dice.randint(1, BURST))
            stream.turn(dice.uniform(0, PAUSE_S))
        count.died += not stop(child)
        count.kills += 1
        count.served += stream.receipted > before
        count.cut_short += stream.receipted < stream.sent
    child = _serve(broker, url)
    _drain(stream, url)
    count.died += not stop(child)
    stream.turn(0.2)
    stream.close()
    return _compare(count, stream, url)


def _settled(broker: RunningBroker, url: str, stream: Stream, seconds: float) -> int:
    child = _serve(broker, url)
    stream.turn(seconds)
    return child


def _first_receipt_s(broker: RunningBroker, url: str, stream: Stream) -> float:
    """Seconds from the start of ingest to its first receipt, at least 0.2."""
    stream.publish(GATEWAYS)
    started = time.monotonic()
    child = _serve(broker, url)
    while not stream.receipted and time.monotonic() < started + DRAIN_S:
        stream.turn(0.02)
    stop(child)
    return max(0.2, time.monotonic() - started)


def stop(child: int) -> bool:
    """SIGKILL a child of ours and collect it; whether it ran until then."""
    os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    return os.WIFSIGNALED(status)


def _drain(stream: Stream, url: str) -> None:
    until = time.monotonic() + DRAIN_S
    with opened(url) as engine:
        while len(_stored(engine)) < stream.sent and time.monotonic() < until:
            stream.turn(0.25)


def _stored(engine: Engine) -> list[tuple[str, int]]:
    with read(engine) as connection:
        rows = connection.execute(select(report.c.gateway, report.c.seq))
        return [(gateway, seq) for gateway, seq in rows]


def _integrity(connection: Connection) -> str:
    """SQLite checks its file; PostgreSQL each index against its table (amcheck), or raises."""
    if connection.dialect.name == "sqlite":
        return str(connection.execute(text("PRAGMA integrity_check")).scalar_one())
    connection.execute(text("CREATE EXTENSION amcheck"))
    checked = connection.execute(
        text(
            "SELECT bt_index_check(indexrelid, true) FROM pg_index"
            " JOIN pg_class ON pg_class.oid = indexrelid JOIN pg_am ON pg_am.oid = relam"
            " WHERE amname = 'btree' AND relnamespace = 'public'::regnamespace"
        )
    ).all()
    return "ok" if checked else "no index was checked"


def _compare(count: Count, stream: Stream, url: str) -> Count:
    with opened(url) as engine:
        rows = _stored(engine)
        with read(engine) as connection:
            count.integrity = _integrity(connection)
        count.differences = len(rebuild(engine, check=True, now=NOW).differences)
        found = [(row.gateway, row.seq) for row in stored_keys(engine)]
        count.differences += sorted(found) != sorted(rows)
    keys = set(rows)
    count.attempted, count.receipted = stream.sent, stream.receipted
    count.doubled = len(rows) - len(keys)
    wanted = {
        (f"gw-{n % GATEWAYS + 1:04d}", n // GATEWAYS + 1) for n in range(stream.sent)
    }  # seq n is the n-th report of its gateway
    count.missing = len(wanted - keys)
    count.lost = sum(
        (gateway, seq) not in keys
        for gateway, last in stream.through.items()
        for seq in range(1, last + 1)
    )
    return count
