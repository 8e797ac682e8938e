"""The publisher against real brokers: the embedded one and, where installed, Mosquitto.

MQTT 3.1.1 (ISO/IEC 20922): persistent session, QoS 1, retained presence, last will.
"""

from __future__ import annotations

import socket
import time
import weakref
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from gateway import contract
from gateway.broker_access import Retry
from gateway.outbox import NEWS_AHEAD, Outbox
from gateway.publisher import IN_FLIGHT_BYTES, WINDOW, BrokerNotThere, Publisher
from tests.support.services import RunningBroker

NOW = datetime(2026, 11, 2, 14, 0, tzinfo=UTC)
GATEWAY = "gw-0001"
PATIENCE_S = 20.0


class Listener:
    """An independent client that notes what it hears and can speak for ingest."""

    def __init__(self, broker: RunningBroker) -> None:
        self.heard: list[tuple[str, bytes, bool]] = []
        self._ready = False
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="listener")
        self._client.on_connect = lambda client, *_: client.subscribe("fleet/#", 1)
        # No cycle with us: in one, the garbage collector may come to paho's sockets before it.
        me = weakref.proxy(self)
        self._client.on_subscribe = lambda *_: setattr(me, "_ready", True)
        self._client.on_message = lambda _c, _u, message: me.heard.append(
            (message.topic, bytes(message.payload), message.retain)
        )
        self._client.connect(broker.host, broker.port)
        self._client.loop_start()
        wait_for(lambda: self._ready)

    def reports(self) -> list[bytes]:
        return [body for topic, body, _ in self.heard if topic.endswith("/report")]

    def presence(self) -> list[contract.Presence]:
        return [
            contract.decode_presence(body)
            for topic, body, _ in self.heard
            if topic.endswith("/presence")
        ]

    def say(self, kind: contract.Kind, body: bytes) -> None:
        self._client.publish(contract.topic(GATEWAY, kind), body, 1).wait_for_publish(PATIENCE_S)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


def wait_for(condition: Callable[[], Any], step: Callable[[], Any] = lambda: None) -> None:
    until = time.monotonic() + PATIENCE_S
    while not condition():
        assert time.monotonic() < until, "it never came"
        step()
        time.sleep(0.01)


@pytest.fixture(params=["embedded", "mosquitto"])
def broker(request: pytest.FixtureRequest) -> RunningBroker:
    name = "embedded_broker" if request.param == "embedded" else "mosquitto"
    found: RunningBroker = request.getfixturevalue(name)
    return found


@pytest.fixture
def listener(broker: RunningBroker) -> Iterator[Listener]:
    one = Listener(broker)
    yield one
    one.close()


@pytest.fixture
def outbox(tmp_path: Path) -> Iterator[Outbox]:
    box = Outbox(tmp_path / "box", lambda: NOW)
    yield box
    box.close()


def fill(
    outbox: Outbox, count: int, padding: int = 0, reason: contract.Reason = "periodic"
) -> list[int]:
    def build(seq: int, _: object) -> list[contract.Report]:
        return [
            contract.Report(
                schema="report/1",
                gateway=GATEWAY,
                journal=outbox.journal,
                journal_created_at=outbox.journal_created_at,
                seq=seq,
                boot_no=outbox.boot_no,
                taken_at=contract.format_time(NOW),
                clock="synced",
                uptime_ms=seq,
                reason=reason,
                ecus={"7E8": contract.EcuReading(in_use_counters={"x" * padding: 1})},
            )
        ]

    return outbox.append_many([build] * count)


def receipt(outbox: Outbox, through: int) -> bytes:
    at = contract.format_time(NOW + timedelta(milliseconds=250))
    return contract.encode(
        contract.Receipt(
            schema="receipt/1",
            gateway=GATEWAY,
            journal=outbox.journal,
            through=through,
            also=[],
            aside=[],
            at=at,
        )
    )


class Seconds:
    """Monotonic seconds that the test moves on."""

    def __init__(self) -> None:
        self.ahead = 0.0

    def __call__(self) -> float:
        return time.monotonic() + self.ahead


def made(outbox: Outbox, broker: RunningBroker, **more: Any) -> Publisher:
    return Publisher(outbox, GATEWAY, broker.host, broker.port, now=lambda: NOW, **more)


@pytest.mark.parametrize("threaded", [True, False], ids=["own thread", "driven by loop"])
def test_only_a_receipt_trims_the_outbox(
    outbox: Outbox, broker: RunningBroker, listener: Listener, threaded: bool
) -> None:
    seconds = Seconds()
    publisher = made(outbox, broker, monotonic=seconds)
    fill(outbox, 250)  # more than one window
    bodies = [item.body for item in outbox.due(0.0, 1000)]
    if threaded:
        publisher.start()
    step = publisher.flush if threaded else publisher.loop
    wait_for(lambda: len(listener.reports()) >= 250, step)
    assert listener.reports() == bodies
    # Every report was acknowledged by the broker, or the second window had not gone out.
    assert outbox.pending() == 250

    listener.say("receipt", receipt(outbox, 240))
    wait_for(lambda: outbox.pending() == 10, step)
    assert publisher.clock_offset_ms == 250

    seconds.ahead = 61.0
    wait_for(lambda: len(listener.reports()) >= 260, step)
    assert listener.reports()[250:] == bodies[240:]
    publisher.stop()
    assert outbox.pending() == 10


def test_presence_is_retained_and_the_will_comes_when_the_socket_drops(
    outbox: Outbox, broker: RunningBroker, listener: Listener
) -> None:
    publisher = made(outbox, broker)
    wait_for(listener.presence, publisher.loop)
    online = listener.presence()[0]
    assert (online.state, online.connection_no, online.boot_no) == ("online", 1, 1)
    assert (online.journal, online.oldest_kept) == (outbox.journal, 1)

    dropped = publisher._client.socket()
    assert isinstance(dropped, socket.socket)
    dropped.shutdown(socket.SHUT_RDWR)
    wait_for(lambda: len(listener.presence()) >= 2)
    offline = listener.presence()[1]
    assert (offline.state, offline.connection_no, offline.at) == ("offline", 1, None)

    wait_for(lambda: len(listener.presence()) >= 3, publisher.loop)
    back = listener.presence()[2]
    assert (back.state, back.connection_no) == ("online", 2)

    publisher.stop(wake_by=NOW + timedelta(hours=8))
    wait_for(lambda: len(listener.presence()) >= 4)
    asleep = listener.presence()[3]
    assert (asleep.state, asleep.wake_by) == ("asleep", "2026-11-02T22:00:00.000Z")
    late = Listener(broker)
    wait_for(late.presence)
    assert [state.state for state in late.presence()] == ["asleep"]
    assert late.heard[0][2]
    late.close()


def test_asks_arrive_until_they_expire_and_rubbish_does_no_harm(
    outbox: Outbox, broker: RunningBroker, listener: Listener
) -> None:
    asks: list[contract.Ask] = []

    def ask(name: str, until: datetime, gateway: str = GATEWAY) -> bytes:
        return contract.encode(
            contract.Ask(
                schema="ask/1",
                gateway=gateway,
                ask_id=name,
                want="fresh",
                expires_at=contract.format_time(until),
            )
        )

    publisher = made(outbox, broker, on_ask=asks.append)
    fill(outbox, 1)
    wait_for(listener.reports, publisher.loop)
    listener.say("receipt", b"\xff not a receipt")
    listener.say("receipt", receipt(outbox, 99))
    listener.say("ask", b"{}")
    listener.say("ask", ask("void", NOW))
    listener.say("ask", ask("another's", NOW + timedelta(seconds=1), "gw-0002"))
    listener.say("ask", ask("good", NOW + timedelta(milliseconds=1)))
    wait_for(lambda: asks, publisher.loop)
    assert [one.ask_id for one in asks] == ["good"]
    assert (publisher.connected, outbox.pending()) == (True, 1)
    publisher.stop()


def test_a_broker_that_forgot_the_session_gets_everything_at_once(
    outbox: Outbox, broker: RunningBroker, listener: Listener
) -> None:
    first = made(outbox, broker)
    fill(outbox, 5)
    wait_for(lambda: len(listener.reports()) == 5, first.loop)
    first.stop()
    # A clean session under the same name makes the broker forget ours.
    eraser = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=GATEWAY, clean_session=True)
    gone: list[int] = []
    eraser.on_connect = lambda *_: gone.append(1)
    eraser.connect(broker.host, broker.port)
    wait_for(lambda: gone, lambda: eraser.loop(0.05))
    eraser.disconnect()

    again = made(outbox, broker)
    wait_for(lambda: len(listener.reports()) == 10, again.loop)
    assert listener.reports()[5:] == listener.reports()[:5]
    again.stop()


def test_a_kept_session_is_not_flooded(
    outbox: Outbox, broker: RunningBroker, listener: Listener
) -> None:
    first = made(outbox, broker)
    fill(outbox, 3)
    wait_for(lambda: len(listener.reports()) == 3 and not first._flying, first.loop)
    first.stop()
    again = made(outbox, broker)
    fill(outbox, 1)
    wait_for(lambda: len(listener.reports()) >= 4, again.loop)
    assert len(listener.reports()) == 4
    again.stop()


def test_without_a_broker_the_check_says_so_and_the_loop_goes_on(
    outbox: Outbox, free_port: int
) -> None:
    nobody = RunningBroker("127.0.0.1", free_port)
    publisher = made(outbox, nobody)
    with pytest.raises(BrokerNotThere, match=rf"127\.0\.0\.1:{free_port}.*refused"):
        publisher.check(2.0)
    fill(outbox, 1)
    for _ in range(3):
        publisher.loop()
    assert (publisher.connected, outbox.pending()) == (False, 1)
    publisher.stop()


def test_news_goes_ahead_of_a_months_backlog(
    outbox: Outbox, broker: RunningBroker, listener: Listener
) -> None:
    """3,000 readings wait, as after a month out of coverage; two lamps come on meanwhile."""
    fill(outbox, 3000)
    publisher = made(outbox, broker)
    wait_for(lambda: len(listener.reports()) >= 200, publisher.loop)
    seqs = fill(outbox, 2, reason="change")
    bodies = {item.seq: item.body for item in outbox.news(0.0)}
    # What is on its way stands before them, and nothing else of the backlog.
    wait_for(lambda: set(bodies.values()) <= set(listener.reports()), publisher.loop)
    places = [listener.reports().index(bodies[seq]) for seq in seqs]
    assert places[1] < places[0] < 2000
    wait_for(lambda: len(listener.reports()) >= 3002, publisher.loop)
    assert len(set(listener.reports())) == len(listener.reports()) == 3002
    publisher.stop()


@pytest.mark.parametrize(
    "padding, highest", [(0, WINDOW), (20_000, 7)], ids=["small reports", "large reports"]
)
def test_only_so_much_is_on_its_way_at_once(
    outbox: Outbox, broker: RunningBroker, listener: Listener, padding: int, highest: int
) -> None:
    fill(outbox, 300, padding)
    publisher = made(outbox, broker)
    flying: list[dict[int, int]] = []

    def step() -> None:
        publisher.loop()
        flying.append(dict(publisher._flying))

    wait_for(lambda: len(listener.reports()) >= 300, step)
    assert max(len(one) for one in flying) <= highest
    # It stops once the limit is reached: the last report may go beyond.
    assert max(sum(one.values()) for one in flying) < IN_FLIGHT_BYTES + contract.MAX_BODY
    publisher.stop()


def test_news_stays_ahead_over_a_restart_bounded_and_the_rest_goes_in_its_turn(
    tmp_path: Path, broker: RunningBroker, listener: Listener
) -> None:
    path = tmp_path / "box.sqlite3"
    before = Outbox(path, lambda: NOW)
    readings, news = fill(before, 40), fill(before, NEWS_AHEAD + 8, reason="change")
    before.close()
    outbox = Outbox(path, lambda: NOW)
    publisher = made(outbox, broker)
    wait_for(lambda: len(listener.reports()) >= len(readings + news), publisher.loop)
    told = [contract.decode_report(body).seq for body in listener.reports()]
    assert told == [*reversed(news[8:]), *readings, *news[:8]]
    publisher.stop()
    outbox.close()


def test_every_wait_is_drawn_anew_between_1_and_60_s() -> None:
    spreads: list[tuple[float, float]] = []

    def draw(low: float, high: float) -> float:
        spreads.append((low, high))
        return high

    retry = Retry(draw)
    assert [retry.next_s() for _ in range(7)] == [4, 8, 16, 32, 60, 60, 60]
    assert {low for low, _ in spreads} == {1.0}
    retry.reset()
    assert retry.next_s() == 4
    for _ in range(5000):
        assert retry.next_s() <= 60


@pytest.mark.parametrize("threaded", [True, False], ids=["own thread", "driven by loop"])
def test_a_broker_that_is_away_is_tried_again_after_the_drawn_wait(
    outbox: Outbox, free_port: int, threaded: bool
) -> None:
    drawn: list[float] = []

    def draw(low: float, high: float) -> float:
        drawn.append(high)
        return 0.01

    nobody = RunningBroker("127.0.0.1", free_port)
    publisher = made(outbox, nobody, uniform=draw)
    if threaded:
        publisher.start()
    wait_for(lambda: len(drawn) >= 5, (lambda: None) if threaded else publisher.loop)
    assert drawn[:5] == [4, 8, 16, 32, 60]
    publisher.stop()
