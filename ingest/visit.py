"""A visit to the broker, driven by hand: one connection, a few requests, each with its answer.

Nothing that a visit hears is acknowledged: it stays in the session and is sent again to whoever
serves it. MQTT 3.1.1 (ISO/IEC 20922).
"""

from __future__ import annotations

import socket
import ssl
import time
from collections.abc import Callable, Sequence
from contextlib import suppress

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.reasoncodes import ReasonCode

from ingest.config import BrokerAddress, BrokerTls
from ingest.subscriber import BrokerNotThere, tls_context

ANSWER_S = 5.0


class Visit:
    """One connection to the broker. `clean`: the session of that name is thrown away."""

    def __init__(
        self, broker: BrokerAddress, context: ssl.SSLContext | None, name: str, *, clean: bool
    ) -> None:
        self._broker = broker
        self.heard: set[str] = set()
        self.reason: ReasonCode | None = None
        self.session_present = False
        self._answers = 0
        self.client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=name,
            protocol=mqtt.MQTTv311,
            clean_session=clean,
            manual_ack=True,
        )
        if context is not None:
            self.client.tls_set_context(context)
        self.client.on_connect = self._on_connect
        self.client.on_subscribe = self.client.on_unsubscribe = self._on_answer
        self.client.on_message = self._on_message

    def _on_connect(
        self,
        _client: mqtt.Client,
        _userdata: object,
        flags: mqtt.ConnectFlags,
        reason: ReasonCode,
        _properties: object,
    ) -> None:
        self.reason, self.session_present = reason, flags.session_present

    def _on_answer(self, *_: object) -> None:
        self._answers += 1

    def _on_message(self, _c: mqtt.Client, _u: object, message: mqtt.MQTTMessage) -> None:
        with suppress(UnicodeDecodeError):
            self.heard.add(message.topic)

    def enter(self) -> None:
        """Connect, or raise `BrokerNotThere`."""
        try:
            self.client.connect(self._broker.host, self._broker.port, keepalive=30)
            self._until(lambda: self.reason is not None)
        except OSError as error:
            raise BrokerNotThere(
                f"{self._broker.host}:{self._broker.port}: {error.strerror or error}"
            ) from error
        if self.reason is None:
            raise BrokerNotThere(f"{self._broker.host}:{self._broker.port}: ended the connection")
        if self.reason.is_failure:
            raise BrokerNotThere(f"broker refused the connection: {self.reason}")

    def ask(self, request: Callable[[], object]) -> None:
        """Send a request (subscribe or unsubscribe) and wait for its answer."""
        wanted = self._answers + 1
        request()
        self._until(lambda: self._answers >= wanted)

    def subscribe(self, filters: Sequence[str]) -> None:
        """Subscribe at QoS 1, and wait for the answer; raises `BrokerNotThere` where there is none.

        The answer is that the session holds what comes from now on (section 3.8.4).
        """
        before = self._answers
        self.ask(lambda: self.client.subscribe([(one, 1) for one in filters]))
        if self._answers == before:
            raise BrokerNotThere("the broker ended the connection at a subscription")

    def say(self, topic: str) -> None:
        """Publish an empty message, and wait until the broker has taken it (or refused it)."""
        info = self.client.publish(topic, b"", qos=1)
        self._until(lambda: info.rc == MQTTErrorCode.MQTT_ERR_SUCCESS and info.is_published())

    def linger(self, seconds: float) -> None:
        """Hear what comes."""
        end = time.monotonic() + seconds
        while time.monotonic() < end and self._turn():
            pass

    def drop(self) -> None:
        """Go without a word, as when the network fails."""
        if isinstance(sock := self.client.socket(), socket.socket):
            sock.shutdown(socket.SHUT_RDWR)
        while self._turn():
            pass

    @property
    def connected(self) -> bool:
        """Whether the broker has not ended the connection, as far as was heard."""
        return self.client.is_connected()

    def leave(self) -> None:
        """Disconnect in good order."""
        self.client.disconnect()

    def _until(self, true: Callable[[], bool]) -> None:
        end = time.monotonic() + ANSWER_S
        while not true():
            if time.monotonic() > end:
                raise BrokerNotThere(f"no answer within {ANSWER_S:.0f} s")
            if not self._turn():
                return

    def _turn(self) -> bool:
        return self.client.loop(0.05) == MQTTErrorCode.MQTT_ERR_SUCCESS


def enter_session(
    broker: BrokerAddress, tls: BrokerTls | None, session: str, *, clean: bool = False
) -> Visit:
    """Connect under ingest's own rights as the client `session`, or raise `BrokerNotThere`."""
    context = tls_context(tls) if broker.scheme == "mqtts" else None
    visit = Visit(broker, context, session, clean=clean)
    if broker.user is not None:
        visit.client.username_pw_set(broker.user, broker.password)
    visit.enter()
    return visit
