"""The one place ingest speaks MQTT: read a batch, have it stored, then acknowledge, then receipt.

The order is commit, acknowledge in order of arrival, receipt. A packet id is only valid on the
connection it came by, so each message carries the generation of its connection. Only paho's
public calls are used, on one thread.

Whether the loop works is told by `beat_s`, never by `is_connected()`: it moves on with each commit,
and with each answer to a SUBSCRIBE of a filter that matches nothing. Every broker owes that answer
(MQTT 3.1.1, MQTT-3.8.4-1), it needs no right, and it passes through broker, socket and loop.
"""

from __future__ import annotations

import logging
import random
import select
import socket
import ssl
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from datetime import datetime

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.reasoncodes import ReasonCode

from gateway import contract
from ingest.arrival import Arrival
from ingest.config import BrokerAddress, BrokerTls
from ingest.lanes import ONE_LANE, Lane

log = logging.getLogger(__name__)

KEEPALIVE_S = 30
BACKOFF_S = (0.2, 30.0)
PACKETS_A_TURN = 64
BATCH = 1000
"""Messages of one commit at most: half of what the broker sends without an acknowledgement
(`deploy/mosquitto.conf`). Measured on a backlog: a third slower with 200, a sixth with 500, a tenth
faster with 2,000, for which everybody else who writes would wait twice as long."""
BATCH_BYTES = 16 * 2**20
"""And their bytes, about: far more than as many reports have, far less than as many of the largest
messages that a broker lets through."""
PING_FILTER = f"{contract.ROOT}/ping"
"""A filter without a gateway: no topic of the contract matches it."""
PING_EVERY_S = 10.0
PING_LIMIT_S = 20.0
"""An answer that takes longer: the connection is given up (a network may swallow everything)."""


class BrokerNotThere(ConnectionError):
    """The broker could not be reached, or refused the connection."""


class StoreTrouble(Exception):
    """The database is not there: nothing was stored, so nothing may be acknowledged."""


Outgoing = tuple[str, bytes]
Store = Callable[[Sequence[Arrival]], Sequence[Outgoing]]
"""Stores and commits a batch and returns the receipts to send; raises `StoreTrouble`."""
CatchUp = Callable[[], Sequence[Outgoing] | None]
"""Does some of what was put off, and returns the receipts; None where nothing was."""


class Subscriber:
    """One persistent session: batches to `store`, bounded by `batch`, flushed when it is quiet."""

    def __init__(
        self,
        broker: BrokerAddress,
        store: Store,
        now: Callable[[], datetime],
        *,
        tls: BrokerTls | None = None,
        lane: Lane = ONE_LANE,
        batch: int = BATCH,
        had_session: bool = False,
        on_session_lost: Callable[[], None] = lambda: None,
        before_subscribing: Callable[[], None] = lambda: None,
        catch_up: CatchUp = lambda: None,
        on_answer: Callable[[int], None] = lambda _: None,
        ping_every_s: float = PING_EVERY_S,
        ping_limit_s: float = PING_LIMIT_S,
    ) -> None:
        """`had_session`: an earlier subscriber of this service left a session with the broker.

        `before_subscribing` runs at each connection and may `abandon()` it, or raise
        `StoreTrouble`: then it is tried again.
        `on_answer` is told, at each answer that the loop asks for, how many messages came between
        the last acknowledgement before the question and the answer: what the broker still had.
        """
        self._broker, self._store, self._now, self._tls = broker, store, now, tls
        self.had_session, self._on_session_lost = had_session, on_session_lost
        self._before_subscribing = before_subscribing
        self._on_answer, self._catch_up = on_answer, catch_up
        self._ping_every_s, self._ping_limit_s = ping_every_s, ping_limit_s
        self._ping: tuple[int | None, float] = (None, 0.0)  # the question open, and since when
        self._arrived, self._arrived_at_ping = 0, 0
        self.abandoned = False
        self.beat_s: float | None = None
        """When the loop last did its work (monotonic clock); None before it runs."""
        self._lane, self._limit = lane, batch
        self._waiting: list[tuple[int, int, Arrival]] = []
        self._waiting_bytes = 0
        self._generation = 0
        self._refused: str | None = None
        self._to_say: deque[Outgoing] = deque()
        self.ready = threading.Event()
        self.committed = 0
        self._client = self._build()

    def _build(self) -> mqtt.Client:
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=self._lane.client_name,
            protocol=mqtt.MQTTv311,
            clean_session=False,
            manual_ack=True,
        )
        if self._broker.user is not None:
            client.username_pw_set(self._broker.user, self._broker.password)
        if self._broker.scheme == "mqtts":
            client.tls_set_context(tls_context(self._tls))
        client.on_socket_open = _at_once
        client.on_connect = self._on_connect
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        return client

    def _on_connect(
        self,
        client: mqtt.Client,
        _userdata: object,
        flags: mqtt.ConnectFlags,
        reason: ReasonCode,
        _properties: object,
    ) -> None:
        if reason.is_failure:
            self._refused = str(reason)
            return
        if self.had_session and not flags.session_present:
            log.error(
                "the broker has forgotten the session of %s: what came while it was away comes "
                "again from the gateways only, later; let the broker keep its sessions on disk",
                self._lane.client_name,
            )
            self._on_session_lost()
        self._before_subscribing()
        if not self.abandoned:
            client.subscribe([(one, 1) for one in self._lane.filters()])

    def _on_subscribe(
        self,
        _client: mqtt.Client,
        _userdata: object,
        mid: int,
        reasons: list[ReasonCode],
        _properties: object,
    ) -> None:
        if mid == self._ping[0]:
            self._ping = (None, time.monotonic())
            self.beat_s = time.monotonic()
            self._on_answer(self._arrived - self._arrived_at_ping)
        elif any(reason.is_failure for reason in reasons):
            self._refused = "a subscription is not allowed"
        else:
            self.had_session = True
            self.ready.set()

    def _on_message(
        self, _client: mqtt.Client, _userdata: object, message: mqtt.MQTTMessage
    ) -> None:
        # paho's own topic property decodes strictly; a topic that is not UTF-8 must not kill us.
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = "(not UTF-8)"
        arrival = Arrival(topic, bytes(message.payload), self._now(), message.retain)
        self._waiting.append((self._generation, message.mid if message.qos else 0, arrival))
        self._waiting_bytes += len(arrival.body)
        self._arrived += 1

    def say(self, topic: str, body: bytes) -> None:
        """Publish at QoS 1 at the loop's next turn, once connected. From any thread."""
        self._to_say.append((topic, body))

    def leave_topics(self) -> None:
        """Let nothing new come into the session. In the loop's own thread (`on_answer`) only."""
        self._client.unsubscribe(self._lane.filters())

    @property
    def connections(self) -> int:
        """How often this subscriber has connected."""
        return self._generation

    @property
    def waiting(self) -> int:
        """How many messages are read and not yet handed to the store."""
        return len(self._waiting)

    def run(self, stop: threading.Event) -> None:
        """Serve until `stop` is set, reconnecting with jittered back-off."""
        pause = BACKOFF_S[0]
        try:
            while not stop.is_set() and not self.abandoned:
                self.beat_s = time.monotonic()
                try:
                    self._connect()
                    if self._serve(stop):
                        pause = BACKOFF_S[0]
                except (OSError, StoreTrouble) as error:
                    log.warning("ingest pauses: %s", error)
                    self._drop()
                if not stop.is_set() and not self.abandoned:
                    stop.wait(random.uniform(0, pause))  # noqa: S311 - jitter, not a secret
                    pause = min(BACKOFF_S[1], pause * 2)
        finally:  # a loop that dies of a fault leaves no connection behind
            self._drop()

    def abandon(self) -> None:
        """Never acknowledge again, and end soon: another subscriber takes over. From any thread."""
        self.abandoned = True
        self.ready.clear()

    def _connect(self) -> None:
        self._refused = None
        self._ping = (None, time.monotonic())
        self._client.connect(self._broker.host, self._broker.port, KEEPALIVE_S)
        self._generation += 1

    def _drop(self) -> None:
        """Leave the connection; what was not committed stays with the broker and comes again."""
        self._waiting, self._waiting_bytes = [], 0
        self.ready.clear()
        if self._client.socket() is not None:
            self._client.disconnect()

    def _serve(self, stop: threading.Event) -> bool:
        misc_at, turn_s, busy = 0.0, min(1.0, self._ping_every_s), False
        while self._goes_on(stop) and (sock := self._client.socket()) is not None:
            pending = bool(getattr(sock, "pending", int)())  # TLS holds bytes select() cannot see
            writing = [sock] if self._client.want_write() else []
            wait_s = 0 if pending or busy else turn_s / 2
            readable, writable, _ = select.select([sock], writing, [], wait_s)
            if readable or pending:
                self._read()
            if writable:
                self._client.loop_write()
            if self._waiting and (self._full() or self._quiet()):
                self._flush()
            # What was put off is done bit by bit, while there is nothing new.
            busy = not (readable or pending or self._waiting) and self._put_off()
            while self._to_say and self.ready.is_set():
                self._client.publish(*self._to_say.popleft(), qos=1)
            if time.monotonic() - misc_at > turn_s:
                self._client.loop_misc()
                self._ask_for_a_beat()
                misc_at = time.monotonic()
        if self._refused is not None:
            raise BrokerNotThere(f"broker refused the connection: {self._refused}")
        if self._waiting:  # the connection went: store now, the broker sends them again
            self._flush()
        return self.ready.is_set()

    def _goes_on(self, stop: threading.Event) -> bool:
        return not (stop.is_set() or self.abandoned or self._refused)

    def _ask_for_a_beat(self) -> None:
        """Ask the broker for an answer; no answer in time ends the connection."""
        asked, since = self._ping
        waited = time.monotonic() - since
        if asked is None and waited >= self._ping_every_s and self.ready.is_set():
            self._arrived_at_ping = self._arrived - len(self._waiting)
            self._ping = (self._client.subscribe(PING_FILTER, 0)[1], time.monotonic())
        elif waited >= self._ping_limit_s + self._ping_every_s:
            raise BrokerNotThere(f"the broker has not answered for {waited:.0f} s")

    def _read(self) -> None:
        for _ in range(PACKETS_A_TURN):  # loop_read() takes one packet a call
            before = len(self._waiting)
            self._client.loop_read()
            if len(self._waiting) == before or self._full() or self._client.socket() is None:
                return

    def _full(self) -> bool:
        return len(self._waiting) >= self._limit or self._waiting_bytes >= BATCH_BYTES

    def _quiet(self) -> bool:
        sock = self._client.socket()
        if sock is None:
            return True
        return not (getattr(sock, "pending", int)() or select.select([sock], [], [], 0)[0])

    def _put_off(self) -> bool:
        receipts = self._catch_up()
        if receipts is None:
            return False
        self.beat_s = time.monotonic()
        self._send(receipts)
        return True

    def _flush(self) -> None:
        batch, self._waiting, self._waiting_bytes = self._waiting, [], 0
        receipts = self._store([arrival for _, _, arrival in batch])
        if self.abandoned:  # it took so long that another has taken over: the broker sends again
            return
        self.committed += len(batch)
        self.beat_s = time.monotonic()
        if self._ping[0] is not None or not self.ready.is_set():
            # The answer that is waited for may stand behind a backlog.
            self._ping = (self._ping[0], self.beat_s)
        with in_few_packets(self._client.socket()):
            for generation, mid, _ in batch:
                if mid and generation == self._generation and self._client.socket() is not None:
                    self._client.ack(mid, 1)
            self._send(receipts)

    def _send(self, receipts: Sequence[Outgoing]) -> None:
        for topic, body in receipts:
            self._client.publish(topic, body, qos=0)


def _at_once(_client: mqtt.Client, _userdata: object, sock: object) -> None:
    """Send a receipt at once: it would wait for TCP's acknowledgement of the PUBACK before it."""
    if isinstance(sock, socket.socket):
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)


@contextmanager
def in_few_packets(sock: object) -> Iterator[None]:
    """What is written within goes out at its end: a packet each is most of what it costs.

    Linux only (tcp(7), TCP_CORK); elsewhere nothing changes.
    """
    option: int | None = getattr(socket, "TCP_CORK", None)
    if option is None or not isinstance(sock, socket.socket):
        yield
        return
    sock.setsockopt(socket.IPPROTO_TCP, option, 1)
    try:
        yield
    finally:
        with suppress(OSError):  # the connection went meanwhile
            sock.setsockopt(socket.IPPROTO_TCP, option, 0)


def tls_context(tls: BrokerTls | None) -> ssl.SSLContext:
    """The TLS settings: the broker's certificate is always checked, 1.2 at the least."""
    context = ssl.create_default_context(cafile=None if tls is None else str(tls.ca_file))
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    if tls is not None and tls.cert_file is not None:
        context.load_cert_chain(tls.cert_file, tls.key_file)
    return context
