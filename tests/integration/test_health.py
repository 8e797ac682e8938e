"""/health and /metrics of a real service on a real broker.

The text format is read by prometheus-client's own parser (general-purpose reference library).
"""

from __future__ import annotations

import http.client
import json
import socket
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager

import pytest
from prometheus_client.parser import text_string_to_metric_families
from sqlalchemy import Engine

from gateway import contract
from ingest.clock import SystemClock
from ingest.config import Site, parse_broker
from ingest.health import HealthServer
from ingest.metrics import Metrics
from ingest.service import Service
from ingest.watching import STALLED_S, health, watch
from tests.integration.test_subscriber import Sender, sending, until
from tests.support.reports import load, opened, vehicle
from tests.support.services import HOST, RunningBroker


@pytest.fixture
def engine(store_url: str) -> Iterator[Engine]:
    with opened(store_url) as store:
        load(store, vehicle(1))
        yield store


@contextmanager
def watched(engine: Engine, broker: RunningBroker) -> Iterator[tuple[Service, HealthServer]]:
    service = Service(engine, parse_broker(broker.url), SystemClock(), Site())
    service.start()
    server = watch(service, engine, 0)
    assert server is not None
    try:
        assert service.subscriber.ready.wait(15)
        yield service, server
    finally:
        server.close()
        service.stop()


def _get(server: HealthServer, path: str) -> tuple[int, str]:
    with closing(http.client.HTTPConnection(HOST, server.port, timeout=5)) as connection:
        connection.request("GET", path)
        answer = connection.getresponse()
        return answer.status, answer.read().decode()


def _figures(server: HealthServer) -> dict[str, float]:
    status, text = _get(server, "/metrics")
    assert status == 200
    return {
        one.name + "".join(f"[{value}]" for value in one.labels.values()): one.value
        for family in text_string_to_metric_families(text)
        for one in family.samples
    }


def _send_five_kinds(sender: Sender) -> None:
    """Two reports, one of them twice, one that is none, one of a gateway not in the list."""
    sender.report(1, 1)
    sender.report(1, 2)
    sender.report(1, 1)
    sender.send(contract.topic("gw-0001", "report"), b"nonsense")
    sender.report(7, 1)


@pytest.mark.services
def test_what_is_stored_is_counted_by_what_became_of_it(
    engine: Engine, mosquitto: RunningBroker
) -> None:
    with watched(engine, mosquitto) as (service, server), sending(mosquitto) as sender:
        _send_five_kinds(sender)
        until(lambda: service.subscriber.committed == 5)
        found = _figures(server)
        status, text = _get(server, "/health")

    outcomes = {name: value for name, value in found.items() if "messages_total" in name and value}
    assert outcomes == {
        "fleet_ingest_messages_total[stored]": 2,
        "fleet_ingest_messages_total[duplicate]": 1,
        "fleet_ingest_messages_total[aside]": 1,
        "fleet_ingest_messages_total[not_in_the_vehicle_list]": 1,
    }
    assert found["fleet_ingest_batch_messages_sum"] == 5
    assert found["fleet_ingest_arrival_to_commit_seconds_count"] == 5
    assert 0 < found["fleet_ingest_commit_seconds_sum"] < 15
    assert found["fleet_ingest_receipts_total"] >= 2
    assert found["fleet_ingest_dead_letters_waiting"] == 1
    assert found["fleet_ingest_database_up"] == found["fleet_ingest_connected"] == 1
    assert found["fleet_ingest_last_commit_timestamp_seconds"] > 0
    told = json.loads(text)
    assert (status, told["status"], told["broker"]) == (200, "works", "connected")
    assert told["last_commit"].endswith("+00:00")


@pytest.mark.services
def test_a_database_that_refuses_and_a_loop_that_hangs_are_503(
    engine: Engine, mosquitto: RunningBroker
) -> None:
    with watched(engine, mosquitto) as (service, server):
        service.metrics.database_trouble("disk is full")
        assert _get(server, "/health")[0] == 503
        service.metrics.committed(["stored"], [], SystemClock().now(), 0.1, 1)
        assert _get(server, "/health")[0] == 200

        beat = service.subscriber.beat_s
        assert beat is not None
        service.subscriber.beat_s = beat - STALLED_S - 30
        good, told = health(service)
        assert not good
        age = told["watchdog_age_s"]
        assert isinstance(age, float)
        assert age > STALLED_S


@pytest.mark.services
def test_a_session_that_the_broker_forgot_is_counted(
    engine: Engine, mosquitto: RunningBroker
) -> None:
    lost = threading.Event()
    service = Service(
        engine, parse_broker(mosquitto.url), SystemClock(), Site(), on_session_lost=lost.set
    )
    service.subscriber.had_session = True  # as after a broker that restarted without its sessions
    server = watch(service, engine, 0)
    assert server is not None
    service.start()
    try:
        assert lost.wait(15)
        assert _figures(server)["fleet_ingest_sessions_lost_total"] == 1
    finally:
        server.close()
        service.stop()


def test_two_services_in_one_process_count_apart() -> None:
    one, two = Metrics(), Metrics()
    one.session_lost()
    assert one.registry.get_sample_value("fleet_ingest_sessions_lost_total") == 1
    assert two.registry.get_sample_value("fleet_ingest_sessions_lost_total") == 0


def test_a_database_that_is_away_leaves_its_figures_out_and_says_so() -> None:
    metrics = Metrics()

    def away() -> dict[str, int]:
        raise ConnectionError("away")

    metrics.ask_store(away)
    with closing(HealthServer(0, metrics.registry, lambda: (True, {}))) as server:
        found = _figures(server)
        assert _get(server, "/elsewhere")[0] == 404
    assert found["fleet_ingest_database_up"] == 0
    assert "fleet_ingest_alerts_standing" not in found


def test_an_error_in_the_answer_is_500_and_the_next_one_is_answered() -> None:
    answers = iter([ValueError("ours"), None])

    def sometimes() -> tuple[bool, dict[str, object]]:
        if error := next(answers):
            raise error
        return True, {}

    with closing(HealthServer(0, Metrics().registry, sometimes)) as server:
        assert [_get(server, "/health")[0] for _ in range(2)] == [500, 200]


def test_it_listens_on_loopback_alone_and_a_port_that_is_taken_stops_nothing(
    engine: Engine, free_port: int
) -> None:
    with closing(HealthServer(0, Metrics().registry, lambda: (True, {}))) as server:
        assert server.address == ("127.0.0.1", server.port)
        with pytest.raises(OSError, match="in use"), socket.socket() as second:
            second.bind((HOST, server.port))
        broker = parse_broker(f"mqtt://{HOST}:{free_port}")
        service = Service(engine, broker, SystemClock(), Site())
        assert watch(service, engine, server.port) is None
