"""The way from a real broker into the store: MQTT 3.1.1 (ISO/IEC 20922), QoS 1."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from unittest.mock import patch

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from sqlalchemy import Engine

from gateway import contract
from ingest import queries
from ingest.arrival import Arrival
from ingest.clock import SystemClock
from ingest.config import Site, parse_broker
from ingest.service import Service, probe
from ingest.subscriber import BrokerNotThere, Outgoing, StoreTrouble, Subscriber
from tests.support.reports import load, opened, report, vehicle
from tests.support.services import RunningBroker, running_mosquitto

WAIT_S = 15.0


def until(true: Callable[[], bool]) -> None:
    """Wait, but not for ever."""
    deadline = time.monotonic() + WAIT_S
    while not true():
        assert time.monotonic() < deadline, "it did not happen in time"
        time.sleep(0.01)


class Sender:
    """Publishes raw bytes and keeps the receipts it hears."""

    def __init__(self, broker: RunningBroker, name: str = "sender", user: str | None = None):
        self.receipts: list[contract.Receipt] = []
        self._client = mqtt.Client(
            CallbackAPIVersion.VERSION2, client_id=name, protocol=mqtt.MQTTv311
        )
        if user:
            self._client.username_pw_set(user, "secret")
        subscribed = threading.Event()
        self._client.on_connect = lambda c, *_: c.subscribe("fleet/v1/+/+/receipt")
        self._client.on_subscribe = lambda *_: subscribed.set()
        receipts = self.receipts  # no cycle: in one, paho's sockets may go before it closes them
        self._client.on_message = lambda _c, _u, m: receipts.extend(
            [contract.decode_receipt(bytes(m.payload))] if m.payload else []
        )  # the check before start publishes an empty one
        self._client.connect(broker.host, broker.port)
        self._client.loop_start()
        assert subscribed.wait(WAIT_S)

    def send(self, topic: str, body: bytes) -> None:
        """Publish at QoS 1 and wait for the broker's acknowledgement."""
        self._client.publish(topic, body, qos=1).wait_for_publish(WAIT_S)

    def report(self, number: int, seq: int) -> None:
        """Publish report `seq` of gateway `number` on its own topic."""
        message = report(number, seq)
        self.send(contract.topic(message.gateway, "report"), contract.encode(message))

    def close(self) -> None:
        """Leave the broker."""
        self._client.disconnect()
        self._client.loop_stop()


@contextmanager
def sending(
    broker: RunningBroker, name: str = "sender", user: str | None = None
) -> Iterator[Sender]:
    sender = Sender(broker, name, user)
    try:
        yield sender
    finally:
        sender.close()


@pytest.fixture
def engine(store_url: str) -> Iterator[Engine]:
    with opened(store_url) as store:
        load(store, vehicle(1), vehicle(2))
        yield store


@contextmanager
def serving(engine: Engine, broker: RunningBroker) -> Iterator[Service]:
    service = Service(engine, parse_broker(broker.url), SystemClock(), Site())
    service.start()
    assert service.subscriber.ready.wait(WAIT_S)
    try:
        yield service
    finally:
        service.stop()


def stored(engine: Engine) -> int:
    return queries.stored_counts(engine)["reports"]


@pytest.mark.parametrize("kind", ["mosquitto", "embedded_broker"])
def test_a_report_is_stored_and_receipted(
    engine: Engine, kind: str, request: pytest.FixtureRequest
) -> None:
    broker = request.getfixturevalue(kind)
    with serving(engine, broker), sending(broker) as sender:
        sender.report(1, 1)
        sender.report(1, 2)
        sender.report(1, 2)

        until(lambda: any(r.through == 2 for r in sender.receipts))

    assert stored(engine) == 2


def test_a_report_of_40_kib_does_not_block_the_small_one_behind_it(
    engine: Engine, mosquitto: RunningBroker
) -> None:
    topic = contract.topic("gw-0001", "report")
    with serving(engine, mosquitto), sending(mosquitto) as sender:
        sender.send(topic, b"{" + b" " * (40 * 1024) + b"}")
        sender.report(1, 1)

        until(lambda: any(r.through == 1 and r.aside for r in sender.receipts))

    letters = queries.dead_letters(engine)
    assert [letter.size for letter in letters] == [40 * 1024 + 2]
    assert "32768" in letters[0].reasons[0]


def test_what_comes_while_ingest_is_away_waits_in_its_session(
    engine: Engine, mosquitto: RunningBroker
) -> None:
    with sending(mosquitto) as sender:
        with serving(engine, mosquitto):
            sender.report(1, 1)
            until(lambda: stored(engine) == 1)
        for seq in range(2, 52):
            sender.report(1, seq)
        with serving(engine, mosquitto):
            until(lambda: stored(engine) == 51)


@contextmanager
def subscribed(
    broker: RunningBroker, store: Callable[[Sequence[Arrival]], Sequence[Outgoing]]
) -> Iterator[None]:
    subscriber = Subscriber(parse_broker(broker.url), store, SystemClock().now)
    stop = threading.Event()
    thread = threading.Thread(target=subscriber.run, args=(stop,))
    thread.start()
    try:
        assert subscriber.ready.wait(WAIT_S)
        yield
    finally:
        stop.set()
        thread.join()


def test_nothing_is_acknowledged_before_it_is_stored(mosquitto: RunningBroker) -> None:
    kept: list[bytes] = []
    refusals = iter([True, True])

    def store(batch: Sequence[Arrival]) -> Sequence[Outgoing]:
        if next(refusals, False):
            raise StoreTrouble("no disk")
        kept.extend(one.body for one in batch)
        return []

    topic = contract.topic("gw-0001", "report")
    with subscribed(mosquitto, store), sending(mosquitto) as sender:
        for number in range(5):
            sender.send(topic, str(number).encode())
        until(lambda: set(kept) >= {b"0", b"1", b"2", b"3", b"4"})


def test_great_messages_are_stored_a_few_at_a_time(tmp_path: Path) -> None:
    counts: list[int] = []

    def store(batch: Sequence[Arrival]) -> Sequence[Outgoing]:
        counts.append(len(batch))
        return []

    topic = contract.topic("gw-0001", "report")
    with running_mosquitto(tmp_path, ["max_inflight_messages 100"]) as broker:
        with subscribed(broker, store):
            pass  # the session is there now
        with sending(broker) as sender:
            for _ in range(60):
                sender.send(topic, b" " * 1000)
        with patch("ingest.subscriber.BATCH_BYTES", 3500), subscribed(broker, store):
            until(lambda: sum(counts) == 60)

    assert max(counts) == 4


def test_a_broker_that_is_not_there_is_one_clear_message(free_port: int) -> None:
    with pytest.raises(BrokerNotThere, match=f"nothing answers at 127.0.0.1:{free_port}"):
        probe(parse_broker(f"mqtt://127.0.0.1:{free_port}"))


def test_a_broker_with_rights_refuses_a_forged_gateway(engine: Engine, tmp_path: Path) -> None:
    # mosquitto.conf(5): `pattern` lines grant by user name. A publish without the right never
    # arrives; Mosquitto 2.0.11 also drops the sender.
    passwords = tmp_path / "passwd"
    passwords.write_text("gw-0001:secret\ngw-0002:secret\ningest:secret\n")
    _hash_passwords(passwords)
    rights = tmp_path / "acl"
    rights.write_text(
        "user ingest\ntopic readwrite #\n\npattern write fleet/v1/+/%u/#\n"
        "pattern read fleet/v1/+/%u/#\n"
    )
    folder = tmp_path / "broker"
    folder.mkdir()
    lines = ["allow_anonymous false", f"password_file {passwords}", f"acl_file {rights}"]
    with running_mosquitto(folder, lines) as broker:
        address = parse_broker(broker.url.replace("//", "//ingest:secret@"))
        service = Service(engine, address, SystemClock(), Site())
        service.start()
        assert service.subscriber.ready.wait(WAIT_S)
        with sending(broker, "gw-0002", "gw-0002") as forger:
            forger.report(1, 1)  # gateway 2 speaks as gateway 1
        with sending(broker, "gw-0002", "gw-0002") as honest:
            honest.report(2, 1)
            until(lambda: stored(engine) == 1)
        service.stop()

    assert [p.gateway for p in queries.unlisted_gateways(engine)] == []
    counts = queries.stored_counts(engine)
    assert (counts["reports"], counts["dead_letters"]) == (1, 0)


def _hash_passwords(path: Path) -> None:
    import subprocess

    from tests.support.services import program

    tool = program(["mosquitto_passwd"], "mosquitto_passwd", "mosquitto")
    subprocess.run([tool, "-U", str(path)], check=True)
    path.chmod(0o644)
