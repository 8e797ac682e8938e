"""MQTT for one gateway: reports up, receipts and asks down, presence with a last will.

MQTT 3.1.1 (ISO/IEC 20922), QoS 1, persistent session. The broker's acknowledgement only frees a
place in the window; what leaves the outbox is decided by receipts alone. Order is by seq, so any
order of publishing is right: news goes ahead of a backlog, and a backlog never fills the line.
"""

from __future__ import annotations

import logging
import random
import select
import threading
import time
import weakref
from collections import deque
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

import paho.mqtt.client as mqtt
from msgspec import UNSET
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.reasoncodes import ReasonCode

from gateway import contract
from gateway.broker_access import BrokerNotThere, Credentials, Retry
from gateway.outbox import NEWS_AHEAD, Outbox, Queued

__all__ = ["BrokerNotThere", "Credentials", "Publisher", "try_broker"]

WINDOW = 100
"""Reports on their way without the broker's acknowledgement."""
IN_FLIGHT_BYTES = 128 * 1024
"""Bytes of them: what stands ahead of news on a slow line (engineering choice)."""
_BATCH = 16
KEEPALIVE_S = 60

_dice = random.SystemRandom()
log = logging.getLogger(__name__)


def _utc_now() -> datetime | None:
    return datetime.now(UTC)


class Publisher:
    """Publishes one outbox. Either `start()` (a thread of its own) or call `loop()` often.

    `now` gives the wall clock, or None while it is unset; it stamps presence and voids asks.
    """

    def __init__(
        self,
        outbox: Outbox,
        gateway_id: str,
        host: str,
        port: int,
        tls: Credentials | None = None,
        on_ask: Callable[[contract.Ask], None] | None = None,
        *,
        user: str | None = None,
        password: str | None = None,
        now: Callable[[], datetime | None] = _utc_now,
        monotonic: Callable[[], float] = time.monotonic,
        uniform: Callable[[float, float], float] = _dice.uniform,
    ) -> None:
        self._outbox, self._gateway = outbox, gateway_id
        self._host, self._port = host, port
        self.on_ask = on_ask
        self._now, self._monotonic = now, monotonic
        # paho calls back while it holds a lock that `publish` wants too: a callback must never
        # wait for this one, which is held while we publish.
        self._lock = threading.RLock()
        self._flying: dict[int, int] = {}  # bytes by the client's message id
        self._acked: deque[int] = deque()
        self._retry, self._retry_at = Retry(uniform), 0.0
        self._opened = self._threaded = False
        self.connected = False
        self.connection_no = 0
        self.clock_offset_ms: int | None = None
        """What the last receipt's time was ahead of our clock by; None before one came."""
        self._client = self._make_client(tls, user, password)

    def _make_client(
        self, tls: Credentials | None, user: str | None, password: str | None
    ) -> mqtt.Client:
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=self._gateway,
            protocol=mqtt.MQTTv311,
            clean_session=False,
        )
        client.max_inflight_messages_set(WINDOW + NEWS_AHEAD)
        if tls is not None:
            client.tls_set_context(tls.context())
        if user is not None:
            client.username_pw_set(user, password)
        # An exception in a callback would end paho's thread while it still looks connected.
        me = weakref.ref(self)
        client.on_pre_connect = lambda *_: _guarded(me, Publisher._before_connect)
        client.on_connect = lambda _c, _u, flags, code, _p: _guarded(
            me, Publisher._connected, flags.session_present, code
        )
        client.on_disconnect = lambda *_: _guarded(me, Publisher._disconnected)
        client.on_publish = lambda _c, _u, mid, _r, _p: _guarded(me, Publisher._acknowledged, mid)
        client.on_message = lambda _c, _u, message: _guarded(
            me, Publisher._received, message.topic, message.payload
        )
        return client

    # -- the life of the connection -----------------------------------------------------------

    def start(self) -> None:
        """Connect in a thread of its own, and again whenever the connection is lost."""
        self._threaded = True
        self._client.connect_async(self._host, self._port, KEEPALIVE_S)
        self._opened = True
        self._client.loop_start()

    def check(self, timeout_s: float = 10.0) -> None:
        """Connect once without a thread, or raise `BrokerNotThere` with the reason."""
        until = self._monotonic() + timeout_s
        try:
            self._open()
            while not self.connected and self._monotonic() < until:
                if self._client.loop(0.1) != MQTTErrorCode.MQTT_ERR_SUCCESS:
                    break
        except (OSError, ValueError) as error:
            raise BrokerNotThere(f"broker {self._host}:{self._port}: {error}") from error
        if not self.connected:
            raise BrokerNotThere(f"broker {self._host}:{self._port}: it does not accept us")

    def loop(self, timeout_s: float = 0.0) -> None:
        """Do what is due without a thread: connect, read, write, publish. Never raises for I/O."""
        if self._threaded:
            raise RuntimeError("loop() and start() exclude each other")
        if self._client.socket() is None and not self._reopen():
            return
        # paho takes one packet a call: read on while there is something.
        code = self._client.loop(timeout_s)
        for _ in range(2 * WINDOW):
            if code != MQTTErrorCode.MQTT_ERR_SUCCESS or not self._readable():
                break
            code = self._client.loop_read()
        if code != MQTTErrorCode.MQTT_ERR_SUCCESS and self._client.socket() is None:
            self._disconnected()
        self.flush()

    def _readable(self) -> bool:
        sock: Any = self._client.socket()
        if sock is None:
            return False
        # TLS keeps bytes that select cannot see.
        return bool(getattr(sock, "pending", int)() or select.select([sock], [], [], 0)[0])

    def _reopen(self) -> bool:
        if self._monotonic() < self._retry_at:
            return False
        try:
            self._open()
        except (OSError, ValueError) as error:
            log.warning("broker %s:%d: %s", self._host, self._port, error)
            self._retry_at = self._monotonic() + self._retry.next_s()
            return False
        return True

    def _open(self) -> None:
        if self._opened:
            self._client.reconnect()
        else:
            self._client.connect(self._host, self._port, KEEPALIVE_S)
            self._opened = True

    def stop(self, wake_by: datetime | None = None, timeout_s: float = 2.0) -> None:
        """Say `asleep` (until `wake_by`), and leave in good order so that no will is sent."""
        if self.connected:
            info = self._announce("asleep", wake_by)
            until = self._monotonic() + timeout_s
            sent = info.rc == MQTTErrorCode.MQTT_ERR_SUCCESS  # else paho raises when asked
            while sent and not info.is_published() and self._monotonic() < until:
                if self._threaded:
                    time.sleep(0.01)
                elif self._client.loop(0.05) != MQTTErrorCode.MQTT_ERR_SUCCESS:
                    break
        self._client.disconnect()
        if self._threaded:
            self._client.loop_stop()
            self._threaded = False
        self.connected = False

    # -- callbacks ----------------------------------------------------------------------------

    def _before_connect(self) -> None:
        """The will names the connection it belongs to, so that a late one can be told apart."""
        self.connection_no += 1
        if self._threaded:
            # The client's own thread waits this long if the attempt fails; it takes parts of a
            # second, though its types say otherwise.
            wait: Any = self._retry.next_s()
            self._client.reconnect_delay_set(wait, wait)
        will = self._presence("offline", at=None)
        topic = contract.topic(self._gateway, "presence")
        self._client.will_set(topic, contract.encode(will), qos=1, retain=True)

    def _connected(self, session_present: bool, code: ReasonCode) -> None:
        if code.is_failure:
            log.error("broker %s:%d refuses us: %s", self._host, self._port, code)
            return
        self._retry.reset()
        if not session_present:
            # paho sends its own unacknowledged ones again; the rest is ours to send.
            self._outbox.forget_session()
        self.connected = True
        topics = [(contract.topic(self._gateway, "receipt"), 0)]
        topics.append((contract.topic(self._gateway, "ask"), 1))
        self._client.subscribe(topics)
        self._announce("online")
        self.flush()

    def _disconnected(self) -> None:
        self.connected = False

    def _acknowledged(self, mid: int) -> None:
        self._acked.append(mid)
        self.flush()

    def _received(self, topic: str, payload: bytes) -> None:
        if topic == contract.topic(self._gateway, "receipt"):
            self._take_receipt(payload)
        elif topic == contract.topic(self._gateway, "ask"):
            self._take_ask(payload)

    def _take_receipt(self, payload: bytes) -> None:
        receipt = contract.decode_receipt(payload)
        if receipt.gateway != self._gateway:
            log.warning("receipt ignored: it is for %r", receipt.gateway)
            return
        now = self._now()
        if now is not None and receipt.journal == self._outbox.journal:
            ahead = contract.parse_time(receipt.at) - now
            self.clock_offset_ms = round(ahead.total_seconds() * 1000)
        self._outbox.apply_receipt(receipt)

    def _take_ask(self, payload: bytes) -> None:
        ask = contract.decode_ask(payload)
        now = self._now()
        if ask.gateway != self._gateway:
            log.warning("ask ignored: it is for %r", ask.gateway)
        elif now is None or contract.parse_time(ask.expires_at) <= now:
            log.info("ask %s ignored: void since %s", ask.ask_id, ask.expires_at)
        elif self.on_ask is not None:
            self.on_ask(ask)

    # -- publishing ---------------------------------------------------------------------------

    def flush(self) -> int:
        """Publish what is due, as far as the window allows; return how many went out."""
        if not self._lock.acquire(blocking=False):
            return 0  # another thread is at it; what this call came for goes with the next one
        try:
            return self._flush()
        finally:
            self._lock.release()

    def _flush(self) -> int:
        # Noted here, not in the callback: an acknowledgement can come before `publish` returns.
        while self._acked:
            self._flying.pop(self._acked.popleft(), None)
        if not self.connected:
            return 0
        now_s = self._monotonic()
        sent = 0
        for item in self._outbox.news(now_s):
            if len(self._flying) >= WINDOW + NEWS_AHEAD or not self._send(item, now_s):
                return sent
            sent += 1
        while (room := self._room()) > 0:
            batch = self._outbox.due(now_s, room)
            for item in batch:
                if self._room() <= 0 or not self._send(item, now_s):
                    return sent
                sent += 1
            if len(batch) < room:
                break
        return sent

    def _room(self) -> int:
        if sum(self._flying.values()) >= IN_FLIGHT_BYTES:
            return 0
        return min(WINDOW - len(self._flying), _BATCH)

    def _send(self, item: Queued, now_s: float) -> bool:
        topic = contract.topic(self._gateway, "report")
        info = self._client.publish(topic, item.body, qos=1)
        if info.rc != MQTTErrorCode.MQTT_ERR_SUCCESS:
            return False  # paho keeps it for the next connection, and so does the outbox
        self._flying[info.mid] = len(item.body)
        self._outbox.published(item.seq, now_s)
        return True

    def _announce(
        self, state: contract.State, wake_by: datetime | None = None
    ) -> mqtt.MQTTMessageInfo:
        body = contract.encode(self._presence(state, self._now(), wake_by))
        topic = contract.topic(self._gateway, "presence")
        return self._client.publish(topic, body, qos=1, retain=True)

    def _presence(
        self, state: contract.State, at: datetime | None, wake_by: datetime | None = None
    ) -> contract.Presence:
        return contract.Presence(
            schema="presence/1",
            gateway=self._gateway,
            state=state,
            journal=self._outbox.journal,
            boot_no=self._outbox.boot_no,
            connection_no=self.connection_no,
            oldest_kept=self._outbox.oldest_kept(),
            at=None if at is None else contract.format_time(at),
            wake_by=UNSET if wake_by is None else contract.format_time(wake_by),
        )


def _guarded(me: weakref.ref[Publisher], step: Callable[..., None], *args: object) -> None:
    if (one := me()) is None:
        return
    try:
        step(one, *args)
    except contract.ContractError as error:
        log.warning("message ignored: %s", error)
    except Exception:
        log.exception("publisher: step failed, carrying on")


def try_broker(
    gateway_id: str,
    host: str,
    port: int,
    tls: Credentials | None,
    timeout_s: float = 10.0,
) -> None:
    """Connect once and leave, or raise `BrokerNotThere`: no will, no presence, nothing published.

    The name is the gateway's own, since the broker's rules go by it; a gateway that runs under it
    is pushed off for a moment and comes back.
    """
    client = mqtt.Client(
        CallbackAPIVersion.VERSION2,
        client_id=gateway_id,
        protocol=mqtt.MQTTv311,
        clean_session=False,
    )
    if tls is not None:
        client.tls_set_context(tls.context())
    answers: list[ReasonCode] = []
    client.on_connect = lambda _c, _u, _f, code, _p: answers.append(code)
    until = time.monotonic() + timeout_s
    try:
        client.connect(host, port, KEEPALIVE_S)
        while not answers and time.monotonic() < until:
            if client.loop(0.1) != MQTTErrorCode.MQTT_ERR_SUCCESS:
                break
        client.disconnect()
    except (OSError, ValueError) as error:
        raise BrokerNotThere(f"broker {host}:{port}: {error}") from error
    if not answers or answers[0].is_failure:
        why = answers[0] if answers else "no answer"
        raise BrokerNotThere(f"broker {host}:{port}: it does not accept us: {why}")
