"""Lanes: shares of the reports, and another number of them while gateways go on publishing.

MQTT 3.1.1 (ISO/IEC 20922): a session keeps what it is subscribed to (section 3.1.2.4), and a
second connection of one client id ends the first (MQTT-3.1.4-2).
"""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from sqlalchemy import Engine

from gateway import contract
from ingest.__main__ import main
from ingest.clock import SystemClock
from ingest.config import BrokerTls, ConfigError, Site, parse_broker
from ingest.lane_change import LanesBusy, change_lanes
from ingest.lanes import NUMBERS, Lane, all_lanes, parse_lane
from ingest.service import Service
from ingest.store.database import read, write
from ingest.store.lane_record import LanesDiffer, begin_change, lane_record
from tests.support.reports import load, opened, report, vehicle
from tests.support.services import RunningBroker
from tests.support.stored_keys import stored_keys

WAIT_S = 15.0
VEHICLES = 24
"""Enough that each of four lanes has some."""


@pytest.fixture
def engine(store_url: str) -> Iterator[Engine]:
    with opened(store_url) as store:
        load(store, *(vehicle(number) for number in range(1, VEHICLES + 1)))
        yield store


class Fleet:
    """Publishes without a pause, each report once and never again; knows what the broker took."""

    def __init__(self, broker: RunningBroker, taken: set[tuple[str, int]]) -> None:
        self.taken = taken
        self._client = mqtt.Client(
            CallbackAPIVersion.VERSION2, client_id="fleet", protocol=mqtt.MQTTv311
        )
        self._client.connect(broker.host, broker.port)
        self._client.loop_start()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._publish)
        self._thread.start()

    def _publish(self) -> None:
        seq = max((seq for _, seq in self.taken), default=0)
        while not self._stop.is_set():
            seq += 1
            for number in range(1, VEHICLES + 1):
                one = report(number, seq)
                topic = contract.topic(one.gateway, "report")
                self._client.publish(topic, contract.encode(one), qos=1).wait_for_publish(WAIT_S)
                self.taken.add((one.gateway, seq))
            self._stop.wait(0.02)

    def close(self) -> None:
        """Publish no more, and leave."""
        self._stop.set()
        self._thread.join()
        self._client.disconnect()
        self._client.loop_stop()


@contextmanager
def publishing(broker: RunningBroker, taken: set[tuple[str, int]] | None = None) -> Iterator[Fleet]:
    """A fleet that goes on where `taken` ended."""
    fleet = Fleet(broker, set() if taken is None else taken)
    try:
        yield fleet
    finally:
        fleet.close()


@contextmanager
def serving(engine: Engine, broker: RunningBroker, lanes: int) -> Iterator[list[Service]]:
    address = parse_broker(broker.url)
    services = [Service(engine, address, SystemClock(), Site(), lane=n) for n in all_lanes(lanes)]
    for one in services:
        one.start()
    try:
        for one in services:
            assert one.subscriber.ready.wait(WAIT_S)
        yield services
    finally:
        for one in services:
            one.stop()


def change(engine: Engine, broker: RunningBroker, lanes: int) -> int:
    address, clock = parse_broker(broker.url), SystemClock()
    return change_lanes(engine, address, Site(), clock, lanes, drain_limit_s=30)


def stored(engine: Engine) -> list[tuple[str, int]]:
    """Every report stored, each as often as it stands there."""
    return [(row.gateway, row.seq) for row in stored_keys(engine)]


def until_all_is_stored(engine: Engine, fleet: Fleet) -> None:
    deadline = time.monotonic() + WAIT_S
    while len(stored(engine)) < len(fleet.taken) and time.monotonic() < deadline:
        time.sleep(0.05)
    found = stored(engine)
    assert (set(found), len(found)) == (fleet.taken, len(fleet.taken))


@pytest.mark.services
def test_from_1_lane_to_4_and_back_while_all_publish_nothing_is_lost_and_nothing_stored_twice(
    engine: Engine, mosquitto: RunningBroker
) -> None:
    with serving(engine, mosquitto, 1), publishing(mosquitto) as fleet:
        time.sleep(0.3)
        begun = len(fleet.taken)
        assert begun
        with pytest.raises(LanesBusy, match="stop every"):
            change(engine, mosquitto, 4)
    # The fleet goes on while nobody serves, during each change, and while four serve.
    with publishing(mosquitto, fleet.taken) as again:
        time.sleep(0.3)
        assert change(engine, mosquitto, 4) > 0
        with serving(engine, mosquitto, 4) as services:
            time.sleep(0.5)
        assert all(one.subscriber.committed for one in services)
        change(engine, mosquitto, 1)
        time.sleep(0.2)
    with serving(engine, mosquitto, 1):
        until_all_is_stored(engine, again)
    with read(engine) as connection:
        assert lane_record(connection).lanes == 1


@pytest.mark.services
def test_a_change_that_was_cut_short_is_ended_by_giving_it_again(
    engine: Engine, mosquitto: RunningBroker
) -> None:
    with serving(engine, mosquitto, 1):
        pass  # leaves its session
    with write(engine) as connection:
        begin_change(connection, 4)
    with pytest.raises(LanesDiffer, match=r"from 1 to 4 lanes is not ended"):
        Service(engine, parse_broker(mosquitto.url), SystemClock(), Site())

    with publishing(mosquitto) as fleet:
        time.sleep(0.2)
        change(engine, mosquitto, 2)  # neither the old number nor the one begun
    with serving(engine, mosquitto, 2):
        until_all_is_stored(engine, fleet)


@pytest.mark.services
def test_lanes_of_one_name_are_seen_before_anything_is_changed(
    engine: Engine, mosquitto: RunningBroker, monkeypatch: pytest.MonkeyPatch
) -> None:
    # As with `use_username_as_clientid` and one certificate for all lanes.
    monkeypatch.setattr(Lane, "client_name", property(lambda _: "one-name"))

    with pytest.raises(LanesBusy, match="certificate of its own"):
        change(engine, mosquitto, 2)

    with read(engine) as connection:
        assert lane_record(connection).changing_to is None


@pytest.mark.services
def test_the_command_changes_the_number_and_only_its_lanes_start_then(
    tmp_path: Path, mosquitto: RunningBroker, capsys: pytest.CaptureFixture[str]
) -> None:
    where = ["--data", str(tmp_path)]
    assert main(["lanes", *where]) == 4  # nothing is there yet
    assert main(["lanes", "4", *where]) == 3
    assert "--broker: absent" in capsys.readouterr().err

    assert main(["lanes", "4", "--broker", mosquitto.url, *where]) == 0
    told = capsys.readouterr()
    assert "python -m ingest run --lane 3-of-4" in told.out
    assert "lane 0-of-1: 0 messages stored, empty" in told.err

    assert main(["lanes", *where]) == 0
    assert capsys.readouterr().out == "4\n"
    assert main(["run", "--broker", mosquitto.url, *where]) == 3
    assert "'0-of-1', expected K-of-4" in capsys.readouterr().err


def test_a_lane_of_another_number_than_recorded_does_not_start(engine: Engine) -> None:
    nowhere = parse_broker("mqtt://127.0.0.1:1")
    with pytest.raises(LanesDiffer, match=r"'2-of-4', expected K-of-1"):
        Service(engine, nowhere, SystemClock(), Site(), lane=Lane(2, 4))


@pytest.mark.parametrize("lanes", NUMBERS)
def test_every_shard_is_in_exactly_one_lane_and_its_filters(lanes: int) -> None:
    owners = [[one for one in all_lanes(lanes) if one.has(shard)] for shard in range(64)]
    assert all(len(found) == 1 for found in owners)
    for shard, (owner,) in enumerate(owners):
        wanted = {f"fleet/v1/{shard:02x}/+/report", "fleet/v1/+/+/report"}
        assert wanted & set(owner.filters())


@pytest.mark.parametrize("text", ["", "0", "4-of-4", "0-of-3", "0-of-128", "-1-of-2", "1 of 2"])
def test_a_lane_that_cannot_be_is_refused(text: str) -> None:
    with pytest.raises(ConfigError, match="expected K-of-N"):
        parse_lane(text)


def test_a_lane_is_read_as_it_is_written() -> None:
    assert [parse_lane(str(one)) for one in all_lanes(8)] == all_lanes(8)


def test_a_certificate_may_be_the_lanes_own() -> None:
    tls = BrokerTls.model_validate({"ca_file": "ca.pem", "cert_file": "ingest.{lane}.pem"})
    found = Site(broker_tls=tls).tls_of(Lane(1, 4))
    assert found is not None
    assert (str(found.cert_file), found.key_file) == ("ingest.1-of-4.pem", None)
