"""The services that other tests lean on do start, and take what they promise to take."""

from __future__ import annotations

import queue
from collections.abc import Iterator

import paho.mqtt.client as mqtt
import psycopg
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from gateway.contract import BROKER_LIMIT
from tests.support.services import RunningBroker

WAIT_S = 20.0
# The limit counts what stands around the payload too, in a broker that counts it.
LARGE = BROKER_LIMIT - 1024


@pytest.fixture(params=["mosquitto", "embedded_broker"])
def broker(request: pytest.FixtureRequest) -> RunningBroker:
    found = request.getfixturevalue(request.param)
    assert isinstance(found, RunningBroker)
    return found


@pytest.fixture
def client() -> Iterator[mqtt.Client]:
    made = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="listener")
    yield made
    made.disconnect()
    made.loop_stop()
    # The loop may end before it has closed: an open socket would be a warning in a later test.
    if (left := made.socket()) is not None:
        left.close()


@pytest.mark.services
def test_a_broker_carries_a_message_that_is_far_too_large_for_the_contract(
    broker: RunningBroker, client: mqtt.Client
) -> None:
    heard: queue.Queue[bytes] = queue.Queue()
    body = b"x" * LARGE

    def on_connect(*_: object) -> None:
        client.subscribe("a/topic", qos=1)

    def on_subscribe(*_: object) -> None:
        client.publish("a/topic", body, qos=1)

    def on_message(_client: mqtt.Client, _data: object, message: mqtt.MQTTMessage) -> None:
        heard.put(bytes(message.payload))

    client.on_connect = on_connect
    client.on_subscribe = on_subscribe
    client.on_message = on_message
    client.connect(broker.host, broker.port)
    client.loop_start()
    assert heard.get(timeout=WAIT_S) == body


@pytest.mark.services
def test_a_fresh_database_is_empty(fresh_postgres_url: str) -> None:
    address = fresh_postgres_url.replace("postgresql+psycopg", "postgresql")
    with psycopg.connect(address) as connection:
        row = connection.execute(
            "SELECT count(*) FROM information_schema.tables WHERE table_schema = 'public'"
        ).fetchone()
    assert row == (0,)


@pytest.mark.browser
@pytest.mark.services
def test_a_browser_shows_a_page(browser_page) -> None:
    browser_page.set_content("<h1>Plan the week</h1>")
    assert browser_page.locator("h1").inner_text() == "Plan the week"
