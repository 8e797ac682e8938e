"""PostgreSQL hangs or turns everybody away: nothing is acknowledged, and nothing is lost.

A hung server is a stopped one (SIGSTOP): its kernel still takes what is sent, so no time limit of
TCP ends the wait. The server and its processes are this file's own.
"""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from sqlalchemy import create_engine, text

from ingest import queries
from ingest.clock import SystemClock
from ingest.config import Site, parse_broker
from ingest.exit_codes import NOT_THERE
from ingest.lanes import ONE_LANE
from ingest.service import Service
from ingest.store.database import write
from ingest.store.lane_record import end_change
from tests.integration.test_service_watchdog import LIMIT_S, serving, until
from tests.integration.test_subscriber import sending
from tests.support.databases import postgres_database
from tests.support.reports import load, opened, vehicle
from tests.support.services import RunningBroker, running_postgres
from tests.support.yard import check, drain, world

pytestmark = pytest.mark.services


@pytest.fixture(scope="module")
def server() -> Iterator[str]:
    """Durable, as the service wants it."""
    with running_postgres(("fsync=on",)) as url:
        yield url


@contextmanager
def stopped(server: str) -> Iterator[None]:
    """Every process of the server stands still."""
    engine = create_engine(server)
    with engine.connect() as connection:
        folder = connection.execute(text("SHOW data_directory")).scalar_one()
    engine.dispose()
    number = int((Path(folder) / "postmaster.pid").read_text().split()[0])
    os.kill(number, signal.SIGSTOP)  # the first: it starts no others meanwhile
    numbers = [number, *_children(number)]
    try:
        for one in numbers[1:]:
            os.kill(one, signal.SIGSTOP)
        yield
    finally:
        for one in numbers:
            with suppress(ProcessLookupError):  # one was about to leave
                os.kill(one, signal.SIGCONT)


def _children(number: int) -> list[int]:
    return [int(one) for one in Path(f"/proc/{number}/task/{number}/children").read_text().split()]


def test_a_database_that_hangs_for_seconds_holds_everything_up_and_loses_nothing(
    server: str, mosquitto: RunningBroker, tmp_path: Path
) -> None:
    with (
        postgres_database(server) as url,
        world(tmp_path, url, mosquitto.port, mosquitto.port) as (yard, engine),
    ):
        yard.append(40)
        drain(yard)
        with stopped(server):
            yard.append(60)
            yard.turn(3)
            assert yard.pending() == 60  # not one has a receipt
        drain(yard)
        check(yard, engine)


def test_a_database_that_hangs_for_good_ends_the_service_which_a_new_one_follows(
    server: str, mosquitto: RunningBroker, tmp_path: Path
) -> None:
    with postgres_database(server) as url, opened(url) as engine, ExitStack() as stack:
        load(engine, vehicle(1))
        words = ["--database", url]
        child, health = stack.enter_context(serving(tmp_path, mosquitto, "none", 15, words))
        until(lambda: health().get("status") == "works", 20)
        sender = stack.enter_context(sending(mosquitto))
        sender.report(1, 1)
        until(lambda: queries.stored_counts(engine)["reports"] == 1, 20)
        with stopped(server):
            for seq in range(2, 40):
                sender.report(1, seq)
            until(lambda: health().get("status") == "stalled", LIMIT_S)
            assert child.wait(LIMIT_S) == NOT_THERE
            said = (tmp_path / "log").read_text(encoding="utf-8")
            assert "ingest ends, to be started again" in said
        with serving(tmp_path, mosquitto, "none", 15, words):
            until(lambda: queries.stored_counts(engine)["reports"] == 39, 20)


def test_a_session_lost_while_the_database_is_away_is_looked_into_when_it_is_back(
    server: str, mosquitto: RunningBroker
) -> None:
    """The lanes were changed meanwhile: the old lane subscribes nothing that nobody would empty."""
    with postgres_database(server) as url, opened(url) as engine:
        service = Service(engine, parse_broker(mosquitto.url), SystemClock(), Site())
        service.start()
        try:
            assert service.subscriber.ready.wait(15)
            with write(engine) as connection:
                end_change(connection, 2)
            with turned_away(server, url):
                before = service.subscriber.connections
                forget_session(mosquitto, ONE_LANE.client_name)
                until(lambda: service.subscriber.connections > before + 2, 20)
                assert not service.subscriber.ready.is_set()
            until(lambda: service.subscriber.abandoned, 20)
        finally:
            service.stop()

    assert service.restarts == 0
    assert not service.subscriber.ready.is_set()
    assert service.metrics.registry.get_sample_value("fleet_ingest_sessions_lost_total") == 1


def forget_session(broker: RunningBroker, name: str) -> None:
    """A connection that wants no session ends the one there was (MQTT 3.1.1, MQTT-3.1.2-6)."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2, name, protocol=mqtt.MQTTv311)
    client.connect(broker.host, broker.port)
    client.loop(1)
    client.disconnect()


@contextmanager
def turned_away(server: str, url: str) -> Iterator[None]:
    """Nobody may connect to a database, and who is connected is thrown out."""
    name = url.rsplit("/", 1)[1]
    engine = create_engine(server, isolation_level="AUTOCOMMIT")
    with engine.connect() as connection:
        connection.execute(text(f"ALTER DATABASE {name} ALLOW_CONNECTIONS false"))
        out = "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = :name"
        connection.execute(text(out), {"name": name})
        try:
            yield
        finally:
            connection.execute(text(f"ALTER DATABASE {name} ALLOW_CONNECTIONS true"))
    engine.dispose()
